"""A sweep's register as it grows: what each stop's look found is entered, new plants under ids of their own."""

from __future__ import annotations

import math
from collections.abc import Collection, Sequence
from dataclasses import replace

import numpy as np

from swardwright.domain.poses import Array, BasePose
from swardwright.domain.weed import Aim, Register, Weed
from swardwright.merging.presence import PresenceSettings

#: how well a radius is known from one stop's look, as a share of it (common practice, no source)
_RADIUS_SHARE = 0.1


def enter(
    register: Register, aims: Sequence[Aim], *, base: BasePose, base_covariance: Array,
    settled: Collection[str] = (), settings: PresenceSettings | None = None,
) -> tuple[Register, tuple[Aim, ...], tuple[Weed, ...]]:  # fmt: skip
    """Enter what a stop's look says into the register.

    Parameters
    ----------
    aims : sequence of Aim
        From ``aims``, with every plant near; ``new-1``, ... are those that the register lacks.
    base, base_covariance : BasePose, Array
        The base pose that the aims are relative to, as believed, and its covariance (3, 3).
    settled : collection of str
        Plants whose entry is not to change: what they were before they were heated is what counts later.

    Returns
    -------
    tuple[Register, tuple[Aim, ...], tuple[Weed, ...]]
        The register with them; the aims under their lasting ids, without those that are hardly believed; the plants
        that are new or whose belief changed.

    Notes
    -----
    A plant's place is its aim carried to the ground by the believed base pose, with both covariances; where it was
    known, the surer place stays. That plants of one stop share the base's error is not kept: the register takes them
    as independent, which is cautious for one plant and too sure for many together.
    """
    settings = settings or PresenceSettings()
    entries = {weed.id: weed for weed in register.weeds}
    number = 1 + max((int(w[1:]) for w in entries if w[1:].isdigit()), default=0)
    changed: list[Weed] = []
    named: list[Aim] = []
    fresh = {aim.weed_id for aim in aims} - set(entries)
    for aim in aims:
        if aim.weed_id in fresh:
            if aim.presence < settings.forget:
                continue
            aim = replace(aim, weed_id=f"w{number:04d}")
            number += 1
        named.append(aim)
        if aim.weed_id in settled:
            continue
        weed = _entry(entries.get(aim.weed_id), aim, base, base_covariance)
        if weed is not None:
            entries[aim.weed_id] = weed
            changed.append(weed)
    return replace(register, weeds=tuple(entries.values())), tuple(named), tuple(changed)


def _entry(old: Weed | None, aim: Aim, base: BasePose, base_covariance: Array) -> Weed | None:
    """Return the plant as it is entered now; None where nothing changed."""
    c, s = math.cos(base.yaw_rad), math.sin(base.yaw_rad)
    turn = np.array([[c, -s], [s, c]])
    arm = turn @ aim.mean_m
    jacobian = np.array([[1.0, 0.0, -arm[1]], [0.0, 1.0, arm[0]]])
    covariance = turn @ aim.covariance_m2 @ turn.T + jacobian @ base_covariance @ jacobian.T
    covariance = 0.5 * (covariance + covariance.T)
    place = np.array([base.x_m, base.y_m]) + arm
    spread = _RADIUS_SHARE * aim.radius_m
    if old is None:
        return Weed(aim.weed_id, place, covariance, aim.radius_m, spread, aim.presence, aim.kinds, looks=1)
    if not aim.seen and abs(aim.presence - old.presence) < 1e-6:
        return None
    now = replace(old, presence=aim.presence, looks=old.looks + 1)
    if aim.seen:
        now = replace(now, kinds=aim.kinds, radius_m=aim.radius_m)
        if np.trace(covariance) < np.trace(old.covariance_m2):
            now = replace(now, mean_m=place, covariance_m2=covariance, shared_m=None, crown_m2=None)
    return now
