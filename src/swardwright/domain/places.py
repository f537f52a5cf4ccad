"""Where the links of an arm are: forward kinematics of many postures and several links at once."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from swardwright.domain.poses import Array, frozen, skew

if TYPE_CHECKING:
    from swardwright.domain.arm import Joint


class Places:
    """The tree of joints worked out once: what each moving joint adds, and what carries each link.

    A moving joint's step from the one before it, fixed joints between included, is ``still + a first + b second`` with
    ``a, b = sin q, 1 - cos q`` (Rodrigues' formula), or ``a, b = q, 0`` for a prismatic joint.
    """

    def __init__(self, root: str, joints: tuple[Joint, ...], moving: tuple[Joint, ...]) -> None:
        index = {joint.name: i for i, joint in enumerate(moving)}
        self._slides = np.array([joint.kind == "prismatic" for joint in moving], dtype=bool)
        self._still, self._first, self._second = np.zeros((3, len(moving), 4, 4))
        # by link: the last moving joint on the way to it (-1: none), and the link's place on that
        self._carried: dict[str, tuple[int, Array]] = {root: (-1, frozen(np.eye(4)))}
        self._before: dict[int, int] = {}
        for joint in joints:
            carrier, fixed = self._carried[joint.parent]
            here = fixed @ joint.origin
            if joint.name not in index:
                self._carried[joint.child] = carrier, frozen(here)
                continue
            i = index[joint.name]
            self._carried[joint.child], self._before[i] = (i, frozen(np.eye(4))), carrier
            self._still[i] = here
            if joint.kind == "prismatic":
                self._first[i, :3, 3] = here[:3, :3] @ joint.axis
            else:
                k = skew(joint.axis)
                self._first[i, :3, :3] = here[:3, :3] @ k
                self._second[i, :3, :3] = here[:3, :3] @ k @ k
        self._ways: dict[tuple[str, ...], tuple[int, ...]] = {}

    def of(self, joints: Array, links: tuple[str, ...]) -> Array:
        """Return ``base_from_link`` (..., links, 4, 4) of joints (..., dof)."""
        total = self.totals(joints, links)
        out = np.empty((*joints.shape[:-1], len(links), 4, 4))
        for number, link in enumerate(links):
            carrier, fixed = self._carried[link]
            out[..., number, :, :] = fixed if carrier < 0 else total[carrier] @ fixed
        return out

    def on(self, total: dict[int, Array], joints: Array, link: str) -> Array:
        """Return ``base_from_link`` (..., 4, 4) from the ``totals`` of the joints on its way."""
        carrier, fixed = self._carried[link]
        return np.broadcast_to(fixed, (*joints.shape[:-1], 4, 4)).copy() if carrier < 0 else total[carrier] @ fixed

    def totals(self, joints: Array, links: tuple[str, ...]) -> dict[int, Array]:
        """Return by column ``base_from_child`` (..., 4, 4) of the moving joints that carry these links, root first."""
        way = self._way(links)
        one, two = np.sin(joints), 1.0 - np.cos(joints)
        if self._slides.any():
            one, two = np.where(self._slides, joints, one), np.where(self._slides, 0.0, two)
        out: dict[int, Array] = {}
        for i in way:
            step = self._still[i] + one[..., i, None, None] * self._first[i] + two[..., i, None, None] * self._second[i]
            before = self._before[i]
            out[i] = step if before < 0 else out[before] @ step
        return out

    def _way(self, links: tuple[str, ...]) -> tuple[int, ...]:
        if links not in self._ways:
            wanted: set[int] = set()
            for link in links:
                carrier = self._carried[link][0]
                while carrier >= 0:
                    wanted.add(carrier)
                    carrier = self._before[carrier]
            self._ways[links] = tuple(i for i in self._before if i in wanted)  # joints come root first
        return self._ways[links]
