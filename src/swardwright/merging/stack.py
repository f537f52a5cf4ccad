"""Sightings as arrays, frame by frame, so that they can be linearised anew in every turn at little cost."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from swardwright.domain.errors import InputError
from swardwright.domain.frame import Track
from swardwright.domain.poses import Array
from swardwright.domain.uncertainty import Scope, SharedError
from swardwright.domain.weed import Sighting

Ints = NDArray[np.int64]
Key = tuple[str, str]


@dataclass(frozen=True, eq=False)
class Source:
    """An error that all sightings of a frame share: key, prior covariance, columns in the frame's Jacobian."""

    key: Key
    scope: Scope
    covariance: Array
    columns: slice


@dataclass(frozen=True, eq=False)
class Part:
    """The m sightings of one frame.

    Attributes
    ----------
    sources : tuple[Source, ...]
        Errors that the frame's sightings share.
    jacobian, gradient : Array
        Shapes (m, 2, L) and (m, 2, L, 2): of all sources side by side, last the plant's height in its standard
        deviations.
    local_m2, crown_m2 : Array
        Shapes (m, 2, 2): noise of single sightings; offset of the growing point.
    """

    frame_id: str
    members: Ints
    position_m: Array
    sources: tuple[Source, ...]
    jacobian: Array
    gradient: Array
    local_m2: Array
    crown_m2: Array

    def linearised(self, base_error: dict[Key, Array], noise_m: Array) -> Part:
        """Return the part linearised about the estimate; errors keep their meaning (belief minus truth).

        Parameters
        ----------
        base_error : dict[Key, Array]
            Estimated base errors.
        noise_m : Array
            Shape (m, 2): residuals: where each plant was seen less where it should have been seen.

        Notes
        -----
        Jacobians are evaluated at the position less its residual. Evaluated at the noisy position they correlate with
        the noise, and a solution that shrinks the scale of all pictures would shrink the residuals with it: it would
        believe to know a scale that nothing has measured (errors in variables).

        With lever ``l`` (crown minus base, read off the yaw column of the base Jacobian), belief ``t`` and error ``e``,
        the crown lies at ``t - e_xy + l'`` with ``l' = R(-e_yaw) l``. Expanding there: position
        ``t + l' + e_yaw z x l'``, base Jacobian ``[I, z x l']``, other Jacobians turned by ``R(-e_yaw)``.
        """
        jacobian = self.jacobian - np.einsum("milj,mj->mil", self.gradient, noise_m)
        base = next((s for s in self.sources if s.key[0] == "base" and s.key in base_error), None)
        if base is None:
            return replace(self, jacobian=jacobian)
        yaw = float(base_error[base.key][2])
        c, s = np.cos(yaw), np.sin(yaw)
        turn = np.array([[c, s], [-s, c]])
        sideways = jacobian[:, :, base.columns.stop - 1]
        lever = np.column_stack([sideways[:, 1], -sideways[:, 0]])
        arm = lever @ turn.T
        across = np.column_stack([-arm[:, 1], arm[:, 0]])
        jacobian = turn @ jacobian
        jacobian[:, :, base.columns] = [[1.0, 0.0, 0.0], [0.0, 1.0, 0.0]]
        jacobian[:, :, base.columns.stop - 1] = across
        return replace(self, jacobian=jacobian, position_m=self.position_m - lever + arm + yaw * across)


def stack(sightings: Sequence[Sighting], tracks: Sequence[Track]) -> tuple[tuple[Sighting, ...], tuple[Part, ...]]:
    """Return the sightings in the order of work (track after track, then by shared pose and id), and their parts.

    Raises
    ------
    InputError
        If two sightings have the same id, or the sightings of one frame do not share the same errors.
    """
    check_ids(sightings)
    in_frame: dict[str, list[Sighting]] = {}
    for s in sorted(sightings, key=lambda s: s.id):
        in_frame.setdefault(s.frame_id, []).append(s)
    place = {
        f: (0, t, i, "", f)
        for t, track in enumerate(sorted(tracks, key=lambda t: t.frame_ids[:1]))
        for i, f in enumerate(track.frame_ids)
    }

    def rank(frame_id: str) -> tuple[int, int, int, str, str]:
        stop = next((e.key for e in in_frame[frame_id][0].errors if e.scope is Scope.STOP), frame_id)
        return place.get(frame_id, (1, 0, 0, stop, frame_id))

    ordered: list[Sighting] = []
    parts: list[Part] = []
    for frame_id in sorted(in_frame, key=rank):
        group = in_frame[frame_id]
        parts.append(_part(frame_id, group, len(ordered)))
        ordered += group
    return tuple(ordered), tuple(parts)


def check_ids(sightings: Sequence[Sighting]) -> None:
    """Raise ``InputError`` if two sightings have the same id."""
    if len({s.id for s in sightings}) != len(sightings):
        raise InputError("two sightings have the same id", field="id", remedy="locate each detection once")


def _part(frame_id: str, group: Sequence[Sighting], first: int) -> Part:
    m = len(group)
    wanted = [_name(e) for e in group[0].errors]
    if any([_name(e) for e in s.errors] != wanted for s in group[1:]):
        raise InputError("the sightings of one frame must share the same errors", where=frame_id, field="errors",
                         remedy="locate all detections of a frame at once")  # fmt: skip
    local, crown = np.zeros((m, 2, 2)), np.zeros((m, 2, 2))
    sources: list[Source] = []
    jacobians: list[Array] = []
    gradients: list[Array] = []
    height, rise = np.zeros((m, 2, 1)), np.zeros((m, 2, 1, 2))
    at = 0
    for number, error in enumerate(group[0].errors):
        all_of_it = [s.errors[number] for s in group]
        if error.scope is Scope.PIXEL or error.source == "crown":
            into = crown if error.source == "crown" else local
            into += np.array([e.ground_covariance_m2 for e in all_of_it])
            continue
        jacobian = np.array([e.jacobian for e in all_of_it])
        gradient = np.array([np.zeros((*e.jacobian.shape, 2)) if e.gradient is None else e.gradient for e in all_of_it])
        if error.scope is Scope.PLANT:
            size = np.sqrt([e.covariance[0, 0] for e in all_of_it])[:, None, None]
            height, rise = jacobian * size, gradient * size[..., None]
            continue
        width = jacobian.shape[2]
        sources.append(Source((error.source, error.key), error.scope, np.asarray(error.covariance),
                              slice(at, at + width)))  # fmt: skip
        jacobians.append(jacobian)
        gradients.append(gradient)
        at += width
    return Part(
        frame_id,
        np.arange(first, first + m, dtype=np.int64),
        np.array([s.mean_m for s in group]),
        tuple(sources),
        np.concatenate([*jacobians, height], axis=2),
        np.concatenate([*gradients, rise], axis=2),
        local,
        crown,
    )


def _name(error: SharedError) -> tuple[str, str]:
    """Return what must agree between the sightings of a frame; an error of a single sighting has a key of its own."""
    return (error.source, "" if error.scope in (Scope.PIXEL, Scope.PLANT) else error.key)
