"""Merging: sightings become the register's next revision, one weed per plant, errors honest.

``merge`` is the recipe: build the joint problem, settle who is who, solve, revise. ``aims`` is its small sister for a
fresh look at a stop; ``enter`` takes what a sweep finds at a stop into the register. All are pure.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from swardwright.domain.errors import InputError
from swardwright.domain.frame import Track
from swardwright.domain.weed import Look, Register, Sighting
from swardwright.merging.consistency import fit, site_errors
from swardwright.merging.found import enter
from swardwright.merging.joint import MergeSettings, join
from swardwright.merging.presence import PresenceSettings
from swardwright.merging.problem import PriorWeeds
from swardwright.merging.revision import revise
from swardwright.merging.stack import check_ids
from swardwright.merging.stop import aims
from swardwright.merging.whole import seen_whole


def merge(register: Register | None, sightings: Sequence[Sighting], looks: Sequence[Look], *,
          tracks: Sequence[Track] = (), settings: MergeSettings | None = None,
          presence: PresenceSettings | None = None) -> Register:  # fmt: skip
    """Return the next revision of the register.

    Parameters
    ----------
    register : Register | None
        The revision so far; its weeds are the prior, and keep their ids.
    sightings : Sequence[Sighting]
        This visit's sightings only: each may be merged into a register once.
    looks : Sequence[Look]
        What this visit's frames could have seen, so that absence counts.
    tracks : Sequence[Track]
        Base poses of the recordings with their information; frames in none have an independent base error with the
        covariance that their sightings carry.

    Raises
    ------
    InputError
        If a sighting was merged before or appears twice, or a track is tied to the ground by nothing.

    Notes
    -----
    Maximum a posteriori over crowns, base poses, mount, joint, intrinsic, tilt and ground errors (DESIGN section 6),
    linearised about itself; association by gate and global assignment, repeated with the shrunk covariances until
    stable. What the mount turned out to be in this visit is not handed on to the next: each visit starts from
    the rig's stated mount error (that is cautious, not optimistic, for weeds seen in both).

    Sightings of plants that their picture's edge cuts are left out where another picture shows the whole plant
    (``whole``); a picture that cuts a plant has not missed it either.
    """
    settings, presence = settings or MergeSettings(), presence or PresenceSettings()
    weeds = () if register is None else register.weeds
    already = {i for w in weeds for i in w.sightings}
    twice = next((s.id for s in sightings if s.id in already), None)
    if twice is not None:
        raise InputError("this sighting is in the register already: merging it again would count it twice",
                         field="id", value=twice, remedy="merge each recording once")  # fmt: skip
    check_ids(sightings)
    joint = join(seen_whole(sightings, looks), tracks, PriorWeeds.of(weeds), looks, settings)
    revised = revise(register, joint.problem, joint, looks, tracks, settings, presence)
    errors = site_errors(joint.problem, joint.solution)
    return replace(revised, site_errors=errors, fit=fit(joint.problem, joint.solution))


__all__ = ["MergeSettings", "PresenceSettings", "aims", "enter", "merge"]
