"""Seeded surveys without pictures, the rig's errors drawn from their stated distributions, and how to judge merging."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from swardwright.domain.frame import Frame
from swardwright.domain.poses import Array, BasePose
from swardwright.domain.site import ErrorSources, Rig
from swardwright.domain.weed import Register
from swardwright.locating import locate, looks
from swardwright.merging.joint import Joint, MergeSettings, join
from swardwright.merging.problem import PriorWeeds, build
from swardwright.merging.solve import Solution, solve
from swardwright.merging.stack import stack
from swardwright.simulation.pixel_survey import (
    EDGE_PX,
    Growth,
    PixelSurvey,
    TrueRig,
    clustered_plants,
    draw_survey,
    invented_rig,
    lanes,
)

#: Every source at work; odometry drifts by about 2 % (scale and random walk together over a lane).
ERRORS = ErrorSources(
    pixel_px=1.2, crown_m=0.003, mount_rad=math.radians(0.3), mount_m=0.003, joint_rad=math.radians(0.05),
    tilt_rad=math.radians(0.25), ground_m=0.004, start_m=0.01, start_rad=math.radians(0.5), odometry_per_m=0.01,
    yaw_per_m=0.004, yaw_per_rad=0.01, fix_m=0.012, joint_offset_rad=math.radians(0.1), plane_m=0.005,
    roughness_m=0.005, odometry_scale=0.02,
)  # fmt: skip
DETECT, ALARMS_M2 = 0.92, 0.03


@dataclass(frozen=True, eq=False)
class Drawn:
    """A survey with its sightings and looks."""

    survey: PixelSurvey
    sightings: tuple
    looks: tuple


def located(survey: PixelSurvey) -> Drawn:
    """Return the survey with everything that merging needs."""
    frames, rig = survey.frames, survey.rig
    return Drawn(
        survey,
        tuple(locate(frames, survey.detections, rig)),
        tuple(
            looks(
                frames,
                rig,
                detection_probability=DETECT,
                false_alarms_m2=ALARMS_M2,
                bands=((0.0, 0.01), (EDGE_PX, DETECT)),
            )
        ),
    )


def site(seed: int, *, length_m: float = 6.0, count: int = 2, density_m2: float = 4.0, fixes: bool = True,
         errors: ErrorSources = ERRORS) -> Drawn:  # fmt: skip
    """Return a survey of a site of its own: rig, plants, drive and pictures drawn anew."""
    rng = np.random.default_rng([71, seed])
    rig = invented_rig(errors)
    crowns = clustered_plants(rng, (-0.3, -0.6), (length_m + 0.3, count - 0.4), density_m2=density_m2)
    return located(draw_survey(rig, crowns, lanes(length_m, count), rng, fixes=fixes, detect=DETECT,
                               alarms_m2=ALARMS_M2, name="first"))  # fmt: skip


def second_visit(first: Drawn, seed: int, *, fixes: bool = True) -> Drawn:
    """Return another survey of the same plants by the same rig."""
    s = first.survey
    rng = np.random.default_rng([72, seed])
    return located(draw_survey(s.rig, s.growth, s.true_bases, rng, fixes=fixes, detect=DETECT, alarms_m2=ALARMS_M2,
                               name="second", truth=s.truth))  # fmt: skip


def joint_of(drawn: Drawn) -> Joint:
    """Return the joint estimate of a first visit."""
    return join(drawn.sightings, [drawn.survey.track], PriorWeeds.of(()), drawn.looks, MergeSettings())


def owners(joint: Joint, drawn: Drawn) -> list[list[int]]:
    """Return, per weed, the plant of each of its sightings (-1: a false alarm)."""
    out: list[list[int]] = [[] for _ in joint.solution.crowns_m]
    for s, w in zip(joint.problem.sightings, joint.weed_of, strict=True):
        out[w].append(drawn.survey.owner[s.id])
    return out


def full_covariance(solution: Solution, crown_m2: Array) -> Array:
    """Return the covariance (2 n, 2 n) of all crowns together."""
    out = solution.together(np.arange(len(crown_m2)))
    for w, block in enumerate(crown_m2):
        out[2 * w : 2 * w + 2, 2 * w : 2 * w + 2] += block
    return out


def bound(drawn: Drawn) -> dict[int, Array]:
    """Return the Cramer-Rao bound (2, 2) of every plant seen: the inverse of the information of the same data.

    Everything is known that the estimator has to find out: which sighting is which plant, and where to linearise:
    pixels without noise, located with the true rig from true base poses (Bayesian information with the stated priors,
    van Trees 1968, evaluated at the truth).
    """
    s = drawn.survey
    true_frames = tuple(replace(f, base=BasePose(*base)) for f, base in zip(s.frames, s.true_bases, strict=True))
    ideal = _true_pixels(s, true_frames)
    real = [d for d in ideal if s.owner[d.id] >= 0]
    problem = build(*stack(locate(true_frames, real, s.rig), [s.track]), [s.track], PriorWeeds.of(()))
    plants = np.array([s.owner[x.id] for x in problem.sightings])
    names, weed_of = np.unique(plants, return_inverse=True)
    solution = solve(problem, weed_of.astype(np.int64), len(names))
    own = s.rig.errors.crown_m**2 * np.eye(2)
    return {int(j): solution.covariance_m2[w] + own for w, j in enumerate(names)}


def _true_pixels(s: PixelSurvey, true_frames: Sequence[Frame]) -> list:
    """Return the detections where they would be if nothing at all erred."""
    still = replace(s.rig.errors, **{name: 0.0 for name in vars(s.rig.errors)})
    exact = TrueRig(replace(s.rig, errors=still), np.zeros(6), np.zeros(len(s.rig.arm.moving)), np.zeros(4), 0.0)
    flat = np.column_stack([s.growth.crowns_m, np.zeros(len(s.growth.crowns_m))])
    joints, out = np.array(s.rig.survey_joints_rad), []
    by_frame: dict[str, list] = {}
    for d in s.detections:
        by_frame.setdefault(d.frame_id, []).append(d)
    width, height = s.rig.camera.width_px, s.rig.camera.height_px
    for frame, base in zip(true_frames, s.true_bases, strict=True):
        pixels = exact.see(flat, base, joints, np.zeros(2))
        for d in by_frame.get(frame.id, ()):
            j = s.owner[d.id]
            if j >= 0:
                u, v = np.clip(pixels[j], 0, [width - 1, height - 1])
                out.append(replace(d, u_px=float(u), v_px=float(v)))
    return out


@dataclass
class Tally:
    """Who is who in a register."""

    plants: int = 0
    duplicates: int = 0
    mixed: int = 0


def tally(register: Register, owner: dict[str, int], presence: float = 0.5) -> tuple[Tally, dict[int, str]]:
    """Count plants found, entered twice and mixed up; return the weed of each plant (its first)."""
    out, weed_of = Tally(), {}
    for weed in register.weeds:
        who = [owner[s] for s in weed.sightings if owner.get(s, -1) >= 0]
        if weed.presence < presence or not who:
            continue
        j = max(sorted(set(who)), key=who.count)
        out.mixed += len(set(who)) > 1
        if j in weed_of:
            out.duplicates += 1
        else:
            weed_of[j] = weed.id
            out.plants += 1
    return out, weed_of


__all__ = ["ERRORS", "Drawn", "Growth", "Rig", "Tally", "bound", "full_covariance", "joint_of", "located", "owners",
           "second_visit", "site", "tally"]  # fmt: skip
