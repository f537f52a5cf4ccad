"""``swardwright calibrate mount``: where camera and head sit on the arm, and whether what is stated is right."""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click
import numpy as np

from swardwright.domain.errors import InputError
from swardwright.domain.poses import Array, Pose, quaternion_from_rotation
from swardwright.domain.site import Site
from swardwright.shell.board_options import board_from, board_options
from swardwright.shell.commanding import EXISTING, json_option, say
from swardwright.shell.mount_file import MOUNT_FILE, Mounted, MountFile, fixed_joint, load_mount, write_mount
from swardwright.shell.saying import Progress, Said

if TYPE_CHECKING:
    from swardwright.locating.calibration.boards import Board
    from swardwright.locating.calibration.mount import HoldOut, MountEstimate
    from swardwright.locating.calibration.mount_check import MountVerdict
    from swardwright.locating.calibration.mount_plan import NextPose, Unknown
    from swardwright.locating.calibration.tip import TipEstimate
    from swardwright.shell.mount_views import Seen

#: seed of the postures among which the next ones are chosen: the same views give the same proposal
_SEED = 11


@click.command("mount")
@click.argument("site", type=click.Path(path_type=Path))
@click.argument("recording", type=EXISTING, required=False)
@board_options
@click.option(
    "--touches", type=EXISTING, help="CSV of joint positions (rad) at which the head's tip touched one point."
)
@click.option("--touch-error", default="1 mm", show_default=True, help="How exactly the tip met the point.")
@click.option("--check", is_flag=True, help="Only say whether the mount that the site states is right.")
@click.option("--write/--no-write", "write", default=True, help="Write mount.yaml into the site  [default: write]")
@click.option("--force", is_flag=True, help="Write although some direction is not known, or the views contradict.")
@click.option("--propose", type=click.IntRange(0, 20), default=3, show_default=True, help="Next arm poses to take.")
@click.option("--figure", type=click.Path(path_type=Path, dir_okay=False), default=None,
              help="Where to draw  [default: reports/mount.png in the site]")  # fmt: skip
@json_option
def mount(site: Path, recording: Path | None, touches: Path | None, touch_error: str, check: bool, write: bool,
          force: bool, propose: int, figure: Path | None, **board: Any) -> None:  # fmt: skip
    """Find where the camera sits on the arm, from pictures of one board that stands still.

    RECORDING is a robot log, or a folder of pictures with joints.csv (picture, then the joints' names; rad). Turn the
    arm about different axes between the pictures, the base standing still; 15 pictures are good. The result goes into
    mount.yaml, in place of the URDF's fixed joint; an old one is kept under its date.

    Example: swardwright calibrate mount lawn board-pictures --board 9x6 --square 25mm

    Example, only a check: swardwright calibrate mount lawn board-pictures --board 9x6 --square 25mm --check

    Example, the head's tip: swardwright calibrate mount lawn --touches tip.csv
    """
    from swardwright.domain.units import parse_quantity
    from swardwright.shell.open_site import opened

    if recording is None and touches is None:
        raise InputError("there is nothing to calibrate from", where="calibrate mount",
                         remedy="name a recording or folder of board pictures, or --touches tip.csv")  # fmt: skip
    if check and recording is None:
        raise InputError("a check needs pictures of a board", where="calibrate mount", field="--check",
                         remedy="name a recording or folder of board pictures")  # fmt: skip
    with opened(site) as at:
        here, folder = at.site, at.folder
    camera = tip = None
    if recording is not None:
        camera = calibrate_camera_mount(here, recording, board_from(**board), propose)
    if touches is not None:
        tip = calibrate_tip(here, touches, parse_quantity(touch_error, "length"))
    lines: list[str] = []
    data: dict[str, Any] = {}
    if camera is not None:
        lines += camera.lines()
        data["camera"] = camera.data()
        from swardwright.shell.mount_figure import mount_figure

        where = figure or folder / "reports" / "mount.png"
        replaced = " (in place of the one before)" if where.exists() else ""
        mount_figure(where, camera, here)
        lines.append(f"Figure: {where}{replaced}")
        data["figure"] = str(where)
    if tip is not None:
        lines += tip.lines()
        data["tip"] = tip.data()
    if not check and write:
        lines += _write(folder, camera, tip, force, data)
    say(Said(tuple(lines), data))


@dataclass(frozen=True, eq=False)
class MountResult:
    """What calibrating the camera's mount gave."""

    recording: str
    board: Board
    parent: str
    child: str
    joints: tuple[str, ...]
    seen: Seen
    claimed: Pose
    claimed_covariance: Array
    estimate: MountEstimate
    verdict: MountVerdict
    held: HoldOut | None
    unknown: tuple[Unknown, ...]
    proposed: tuple[NextPose, ...]
    before_px: Array
    ground_before_m: float
    ground_m: float
    without_m: Array

    @property
    def contradicts(self) -> bool:
        """Whether the misfit is far beyond what joints and corners explain."""
        return self.estimate.surplus > 25.0

    def lines(self) -> list[str]:
        """Return what a person should know."""
        e, seen = self.estimate, self.seen
        sd = np.sqrt(np.diag(e.covariance))
        at = e.link_from_camera.translation_m * 1000
        out = [f"{len(seen.views)} of {seen.pictures} pictures of the {self.board} used."]
        out += [f"  left out: {n} x {reason}" for reason, n in seen.left_out.items()]
        out += [f"  note: {note}" for note in seen.notes]
        out.append(f"As the site states it: {self.verdict.sentence}.")
        if not self.verdict.sound:
            out.append(f"  to mend it: {self.verdict.remedy}.")
        out.append(
            f"Found: {self.child} at x {at[0]:.1f}, y {at[1]:.1f}, z {at[2]:.1f} mm on {self.parent}, "
            f"to {1000 * sd[3:].max():.1f} mm and {math.degrees(sd[:3].max()):.2f} degrees (one standard deviation, "
            "worst axis)."
        )
        if self.ground_m > 0 and not self.unknown:
            before = f"{1000 * self.ground_before_m:.1f} mm as stated before, " if self.verdict.sound else ""
            out.append(f"The mount's share of the ground error: {before}{1000 * self.ground_m:.1f} mm now (root mean "
                       "square).")  # fmt: skip
        if self.held is not None:
            out.append(f"Views not used for it are met within {self.held.overall_px:.2f} px, "
                       f"{1000 * self.held.overall_m:.1f} mm on the board, joint errors included.")  # fmt: skip
        if e.inflated > 1.0:
            out.append(f"The views fit {math.sqrt(e.inflated):.1f} times worse than stated joint errors explain: "
                       "the covariance was enlarged so much. Look for a board or base that moved, a loose camera, or "
                       "joint errors larger than site.toml says ([errors] joint, joint_offset).")  # fmt: skip
        out += [f"{u.sentence[0].upper()}{u.sentence[1:]}." for u in self.unknown[:3]]
        if self.proposed:
            head = "Add these poses" if self.unknown else "Most would be learnt from these poses"
            out.append(f"{head} (rad: {', '.join(self.joints)}; only view and limits are checked, so move there slowly "
                       "and watch for collisions):")  # fmt: skip
            gain = "" if self.ground_before_m == 0 else "; the mount's share is then {:.1f} mm"
            out += [f"  {', '.join(f'{q:.3f}' for q in p.joints_rad)}{gain.format(1000 * p.ground_m)}"
                    for p in self.proposed]  # fmt: skip
        return out

    def data(self) -> dict[str, Any]:
        """Return the same for ``--json``."""
        e, v = self.estimate, self.verdict
        return {
            "recording": self.recording, "views": list(self.seen.views.names), "pictures": self.seen.pictures,
            "left_out": self.seen.left_out, "notes": list(self.seen.notes),
            "verdict": {"name": v.name, "sentence": v.sentence, "remedy": v.remedy, "normalised_squared": v.squared,
                        "off_rad": v.off_rad, "off_m": v.off_m},
            "parent": self.parent, "child": self.child, "xyz_m": e.link_from_camera.translation_m.tolist(),
            "quaternion_wxyz": quaternion_from_rotation(e.link_from_camera.rotation).tolist(),
            "covariance": e.covariance.tolist(), "start": e.start, "corner_noise_px": e.corner_px.tolist(),
            "misfit_per_degree_of_freedom": e.surplus, "rms_px": e.rms_px.tolist(),
            "rms_px_as_stated": self.before_px.tolist(),
            "held_out": None if self.held is None else {
                "rms_px": self.held.overall_px, "rms_m": self.held.overall_m,
                "normalised_squared_per_view": self.held.squared.tolist()},
            "ground_rms_m": self.ground_m, "ground_rms_m_as_stated": self.ground_before_m,
            "not_known": [u.sentence for u in self.unknown],
            "next_poses": [{"joints_rad": list(p.joints_rad), "ground_rms_m": p.ground_m} for p in self.proposed],
        }  # fmt: skip


def calibrate_camera_mount(site: Site, recording: Path, board: Board, propose: int) -> MountResult:
    """Calibrate the camera's mount from a recording of a board, and judge what the site states."""
    from swardwright.locating.calibration import mount as solving
    from swardwright.locating.calibration.mount_check import diagnose_mount
    from swardwright.locating.calibration.mount_model import MountState
    from swardwright.locating.calibration.mount_plan import (
        candidate_postures,
        ground_jacobians,
        ground_rms_m,
        next_poses,
        unknown_directions,
    )
    from swardwright.shell.mount_views import views_of

    rig, errors = site.rig, site.rig.errors
    joint = fixed_joint(rig.arm, rig.camera_link)
    seen = views_of(site, joint.parent, recording, board, Progress("looking for the board"))
    views, k = seen.views, len(rig.arm.moving)
    noise = solving.joint_noise(k, errors.joint_rad, errors.joint_offset_rad)
    estimate = solving.solve_mount(views, rig.camera, noise)
    u, _, vt = np.linalg.svd(joint.origin[:3, :3])
    claimed = Pose("link", "camera", u @ vt, joint.origin[:3, 3])
    stated = rig.mount_prior + 1e-18 * np.eye(6)
    verdict = diagnose_mount(views, rig.camera, noise, joint.origin, stated, estimate)
    held = solving.hold_out(views, rig.camera, noise)
    scalar = np.diag([max(errors.mount_rad, 1e-4) ** 2] * 3 + [max(errors.mount_m, 1e-4) ** 2] * 3)
    unknown = unknown_directions(views, estimate.covariance, scalar)
    ground = ground_jacobians(rig, joint.parent)
    proposed: tuple[NextPose, ...] = ()
    if propose and views.joints_rad is not None:
        candidates = candidate_postures(rig.arm, views.joints_rad, np.random.default_rng(_SEED))
        proposed = next_poses(views, rig.arm, joint.parent, rig.camera, estimate, noise, ground, candidates, propose)
    as_stated = MountState(claimed, _board_for(views, claimed, rig.camera), np.zeros(k), np.zeros((len(views), k)),
                           np.zeros(4))  # fmt: skip
    weigh = ground if len(ground) else np.eye(6)[None]
    without = np.array([
        ground_rms_m(estimate.inflated * solving.shared_covariance(estimate.information - one), weigh)
        for one in estimate.view_information
    ])  # fmt: skip
    return MountResult(
        recording.name, board, joint.parent, joint.child, rig.arm.joint_names, seen, claimed, stated, estimate, verdict,
        held, unknown, proposed, solving.view_rms(views, rig.camera, as_stated),
        ground_rms_m(stated, ground) if len(ground) else 0.0,
        ground_rms_m(estimate.covariance, ground) if len(ground) else 0.0, without,
    )  # fmt: skip


def _board_for(views: Any, claimed: Pose, camera: Any) -> Pose:
    """Return where the board stands if the claimed mount were right: the mean over the views."""
    from swardwright.locating.calibration.mount_start import board_poses, mean_pose

    return mean_pose(views.base_from_link @ claimed.matrix @ board_poses(views, camera)[0])


@dataclass(frozen=True, eq=False)
class TipResult:
    """What calibrating the head's tip gave."""

    source: str
    parent: str
    child: str
    rotation: Array
    stated_m: Array
    touches: int
    estimate: TipEstimate

    def lines(self) -> list[str]:
        """Return what a person should know."""
        e = self.estimate
        sd, at = np.sqrt(np.diag(e.covariance)), 1000 * e.tip_m
        moved = 1000 * float(np.linalg.norm(e.tip_m - self.stated_m))
        out = [
            f"{self.touches} touches of {len(e.points_m)} point{'s' if len(e.points_m) > 1 else ''}: {self.child} at "
            f"x {at[0]:.1f}, y {at[1]:.1f}, z {at[2]:.1f} mm on {self.parent}, to {1000 * sd.max():.1f} mm (one "
            f"standard deviation, worst axis); {moved:.1f} mm from where it was stated; touches meet within "
            f"{1000 * float(np.sqrt(np.mean(np.square(e.residual_m)))):.1f} mm."
        ]
        if e.inflated > 1.0:
            out.append(f"The touches fit {math.sqrt(e.inflated):.1f} times worse than the stated errors explain: the "
                       "covariance was enlarged so much.")  # fmt: skip
        return out + [f"{text[0].upper()}{text[1:]}." for text in e.unknown]

    def data(self) -> dict[str, Any]:
        """Return the same for ``--json``."""
        e = self.estimate
        return {"parent": self.parent, "child": self.child, "xyz_m": e.tip_m.tolist(),
                "covariance_m2": e.covariance.tolist(), "touches": self.touches, "points_m": e.points_m.tolist(),
                "residual_m": e.residual_m.tolist(), "not_known": list(e.unknown)}  # fmt: skip


def calibrate_tip(site: Site, touches: Path, touch_m: float) -> TipResult:
    """Find the head's tip on its link from joint positions at touches."""
    from swardwright.locating.calibration.mount import joint_noise
    from swardwright.locating.calibration.tip import solve_tip
    from swardwright.shell.mount_views import read_joints

    rig, errors = site.rig, site.rig.errors
    joint = fixed_joint(rig.arm, rig.head.link)
    if not 1e-5 <= touch_m <= 0.1:
        raise InputError("this touch error is not possible", field="--touch-error", value=f"{touch_m:g} m",
                         limit="0.01 mm to 10 cm", remedy="say how exactly the tip met the point")  # fmt: skip
    rows = read_joints(touches, rig.arm, "point", label_needed=False)
    noise = joint_noise(len(rig.arm.moving), errors.joint_rad, errors.joint_offset_rad)
    names = list(dict.fromkeys(name for name, _ in rows))
    q = np.array([q for _, q in rows])
    found = solve_tip(rig.arm, joint.parent, q, noise, touch_m, [names.index(name) for name, _ in rows])
    return TipResult(
        touches.name, joint.parent, joint.child, joint.origin[:3, :3], joint.origin[:3, 3], len(rows), found
    )


def _write(
    folder: Path, camera: MountResult | None, tip: TipResult | None, force: bool, data: dict[str, Any]
) -> list[str]:
    """Write ``mount.yaml`` unless what was found is no good; return what was done in words."""
    doubts = []
    if camera is not None and camera.unknown:
        doubts.append("some direction of the camera's mount is not known")
    if camera is not None and camera.contradicts:
        doubts.append("the views contradict each other")
    if tip is not None and tip.estimate.unknown:
        doubts.append("some direction of the tip is not known")
    if doubts and not force:
        data["written"] = None
        return [
            f"{MOUNT_FILE} was not written: {' and '.join(doubts)} (add poses, or write it all the same with --force)."
        ]
    path = folder / MOUNT_FILE
    old = load_mount(path) if path.exists() else MountFile(None, None, "", "")
    parts = []
    new_camera, new_head = old.camera, old.head
    if camera is not None:
        pose = camera.estimate.link_from_camera
        placed = Pose(camera.parent, camera.child, pose.rotation, pose.translation_m)
        new_camera = Mounted(camera.parent, camera.child, placed, camera.estimate.covariance)
        parts.append(f"camera: {camera.recording}, {len(camera.seen.views)} views of a {camera.board}")
    if tip is not None:
        u, _, vt = np.linalg.svd(tip.rotation)
        covariance = np.zeros((6, 6))
        covariance[3:, 3:] = tip.estimate.covariance
        new_head = Mounted(tip.parent, tip.child, Pose(tip.parent, tip.child, u @ vt, tip.estimate.tip_m), covariance)
        parts.append(f"head: {tip.source}, {tip.touches} touches (its direction as in the URDF)")
    if old.made_from and (camera is None or tip is None):
        parts.append(f"before: {old.made_from}"[:400])
    made = datetime.now(UTC).strftime("%Y-%m-%dT%H:%M:%SZ")
    kept = write_mount(folder, MountFile(new_camera, new_head, made, "; ".join(parts)))
    data["written"], data["kept"] = str(path), None if kept is None else str(kept)
    out = [f"Written: {path}" + (f"; the old one is kept as {kept.name}" if kept is not None else "") + "."]
    return [*out, f"Next: swardwright status {folder}"]
