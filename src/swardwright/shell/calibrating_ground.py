"""``swardwright calibrate ground``: how high and how steep the ground is, from a board lying on it."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click
import numpy as np

from swardwright.domain.camera import Camera
from swardwright.domain.errors import InputError
from swardwright.domain.poses import Array, Pose, skew
from swardwright.domain.site import Rig, Site
from swardwright.domain.units import parse_quantity
from swardwright.shell.board_options import board_from, board_options
from swardwright.shell.calibrating_aim import drawn
from swardwright.shell.cautions import CAUTIONS
from swardwright.shell.commanding import EXISTING, json_option, say
from swardwright.shell.saying import Progress, Said

if TYPE_CHECKING:
    from swardwright.locating.calibration.boards import Board
    from swardwright.locating.ground import Patch, Plane
    from swardwright.shell.driven_slope import DrivenSlope

#: corners are found this well at best, px (common practice, no source)
CORNER_SIGMA_PX = 0.1
#: the ground in use lies this far around the boards, m
AROUND_M = 0.3


@dataclass(frozen=True, eq=False)
class GroundResult:
    """The plane in base axes (None: no board), the patches behind it, the slope of the drive, and fields by table."""

    plane: Plane | None
    patches: tuple[Patch, ...]
    names: tuple[str, ...]
    drive: DrivenSlope | None
    fields: dict[str, dict[str, str]]
    warnings: tuple[str, ...]
    notes: tuple[str, ...]

    def verdict(self) -> str:
        """Return the finding in one sentence, without a full stop."""
        p = self.plane
        if p is None:
            assert self.drive is not None
            return self.drive.sentence()
        sigma = float(p.sigma_at(p.about_m))
        return (
            f"The ground lies {1e3 * p.height_m:+.1f} mm (known to {1e3 * sigma:.1f}) from the wheels' plane and tilts "
            f"by {math.degrees(p.slope_rad):.1f} degrees (known to {math.degrees(p.slope_sigma_rad):.1f}) against it"
        )


@click.command("ground", epilog=" ".join(CAUTIONS))
@click.argument("site", type=click.Path(path_type=Path))
@click.argument("recording", type=EXISTING)
@board_options
@click.option(
    "--thick", default="0 mm", show_default=True, help="Thickness of the board: the ground is that much lower."
)
@click.option("--write", is_flag=True, help="Write the fields into site.toml; the old file is kept beside it.")
@click.option("--figure", type=click.Path(path_type=Path, dir_okay=False), default=None,
              help="Where to draw  [default: reports/ground.png in the site]")  # fmt: skip
@json_option
def ground(site: Path, recording: Path, thick: str, write: bool, figure: Path | None, **board: Any) -> None:
    """Find how high and how steep the ground is, from a board lying flat on it or from the tilts of a drive.

    RECORDING is a robot log, or a folder of pictures with joints.csv (picture, then the joints' names; rad). Lay the
    board print upwards at six places or more in reach of the arm, the base standing as it does at work. A log with an
    IMU's orientation and a drive gives the slope against gravity, and how the base tilts on it, without a board.

    Example: swardwright calibrate ground green board-on-ground --board 6x5 --square 25mm --thick 3mm

    Example, the slope of a drive: swardwright calibrate ground green survey.mcap
    """
    from swardwright.shell.ground_figure import ground_figure
    from swardwright.shell.open_site import opened
    from swardwright.shell.site_edit import lines_to_paste, write_fields

    with opened(site) as at:
        here, folder = at.site, at.folder
    thick_m = parse_quantity(thick, "length")
    printed = board_from(**board) if _board_named(board) or recording.is_dir() else None
    result = calibrate_ground(here, recording, printed, thick_m)
    path = figure or folder / "reports" / "ground.png"
    replaced = drawn(path, lambda part: ground_figure(part, here, result))
    changes = result.fields
    data = data_of(result) | {"figure": str(path), "written": write}
    count = f" ({len(result.patches)} pictures)" if result.patches else ""
    lines = [f"{result.verdict()}{count}.", *(f"  Caution: {w}." for w in result.warnings),
             *(f"  - {note}." for note in result.notes), ""]  # fmt: skip
    if write:
        kept = write_fields(folder, changes)
        data["kept"] = kept.name
        lines += [f"Written into site.toml; the file as it was is kept as {kept.name}:"]
    else:
        lines += ["To use it, paste this into site.toml (or run this again with --write):"]
    lines += [f"  {line}" for line in lines_to_paste(changes)]
    lines += ["", f"Figure: {path}" + (" (the one before was replaced)." if replaced else ".")]
    say(Said(tuple(lines), data))


def _board_named(board: dict[str, Any]) -> bool:
    return any(board[name] is not None for name in ("board", "charuco", "square", "marker"))


def calibrate_ground(site: Site, recording: Path, board: Board | None, thick_m: float) -> GroundResult:
    """Fit the ground under the board in the recording's pictures, and the slope of its drive; see the command.

    Raises
    ------
    InputError
        If the recording gives neither.
    """
    from swardwright.locating.ground import plane_of_patches, slope_warnings
    from swardwright.shell.driven_slope import driven_slope
    from swardwright.shell.mount_views import views_of

    rig = site.rig
    notes: list[str] = []
    fields: dict[str, dict[str, str]] = {"errors": {}}
    allowed, stated = rig.base.slope_max_rad, site.slope_rad
    drive, why = (None, "") if recording.is_dir() else driven_slope(site, recording)
    if board is None and drive is None:
        raise InputError(f"nothing here tells of the ground: {why}", where=recording.name,
                         remedy="name the board that lies on it: --board 6x5 --square 25mm")  # fmt: skip
    warnings: tuple[str, ...] = ()
    if drive is not None:
        found = drive.tilted
        warnings = slope_warnings(found.slope_rad, found.slope_sigma_rad, allowed, stated)
        fields = drive.fields()
    if board is None:
        return GroundResult(None, (), (), drive, fields, warnings, ())
    if drive is not None:
        notes.append(drive.sentence())
    seen = views_of(site, rig.camera_link, recording, board, Progress("looking for the board"), fewest=1)
    patches, shared = board_patches(rig, seen.views, board, thick_m)
    plane = plane_of_patches(patches, shared)
    if drive is None:  # the slope of the ground in view adds to that on which the base stands
        warnings = slope_warnings(plane.slope_rad + stated, plane.slope_sigma_rad, allowed, stated)
    notes += list(seen.notes)
    if seen.left_out:
        notes.append("Left out: " + "; ".join(f"{reason}: {n}" for reason, n in seen.left_out.items()))
    fields = fields | {"errors": fields_of(plane, patches) | fields["errors"]}
    return GroundResult(plane, tuple(patches), seen.views.names, drive, fields, warnings,
                        (*notes, *_plane_notes(plane, len(patches))))  # fmt: skip


def _plane_notes(plane: Plane, count: int) -> list[str]:
    from swardwright.locating.ground import PATCHES_MIN

    notes = []
    if abs(plane.height_m) > 2.0 * float(plane.sigma_at(plane.about_m)):
        notes.append("The height is sure: mend where the arm stands on the base in robot.urdf; until then [errors] "
                     "plane covers it")  # fmt: skip
    if count < PATCHES_MIN:
        notes.append(f"{count} pictures say nothing about how the height varies from place to place: lay the "
                     f"board at {PATCHES_MIN} places or more for ground_height")  # fmt: skip
    if not plane.consistent:
        notes.append("The pictures contradict each other by more than camera, mount and joints explain: is the board "
                     "flat, did the base stand still, is the mount calibrated?")  # fmt: skip
    return [*notes, "A board bridges the grass: roughness at a plant comes from plants seen from several sides"]


def fields_of(plane: Plane, patches: Sequence[Patch]) -> dict[str, str]:
    """Return the ``[errors]`` fields that a plane suggests.

    ``plane``: root mean square of height and slope against z = 0 of base axes, and of their error, around the boards.
    ``ground_height``: scatter of the height from place to place, where there are enough pictures.
    """
    from swardwright.locating.ground import PATCHES_MIN

    ring = AROUND_M * np.array([[0, 0], [1, 0], [0, 1], [-1, 0], [0, -1]])
    around = np.array([p.place_m + step for p in patches for step in ring])
    off2 = np.mean(np.square(plane.height_at(around)) + np.square(plane.sigma_at(around)))
    fields = {"plane": f"{1e3 * math.sqrt(float(off2)):.1f} mm"}
    if len(patches) >= PATCHES_MIN:
        fields["ground_height"] = f"{1e3 * plane.roughness_m:.1f} mm"
    return fields


def board_patches(rig: Rig, views: Any, board: Board, thick_m: float) -> tuple[list[Patch], Array]:
    """Return the ground under the board in each view, and the covariance of what all views share.

    A view errs by its corners and the arm's reading; all views share the joints' zero offsets, the camera's mount and
    its intrinsics.
    """
    from swardwright.locating.calibration.boards import BoardView, board_pose
    from swardwright.locating.ground import patch_of_board

    camera, dof = rig.camera, len(rig.arm.moving)
    shared = np.zeros((dof + 10, dof + 10))
    shared[:dof, :dof] = rig.errors.joint_offset_rad**2 * np.eye(dof)
    shared[dof : dof + 6, dof : dof + 6] = rig.mount_prior
    shared[dof + 6 :, dof + 6 :] = camera.covariance[:4, :4]
    last = rig.arm.chain(rig.camera_link)[-1]
    out = []
    for i, name in enumerate(views.names):
        view = BoardView(views.pixels[i], views.points_m[i], np.arange(len(views.pixels[i])),
                         (camera.width_px, camera.height_px), name)  # fmt: skip
        pose = board_pose(view, camera)
        own, by_intrinsics = pose_error(pose, view.points_m, view.pixels, camera)
        matrix = views.base_from_link[i]
        base_from_camera = Pose("base", "camera", matrix[:3, :3], matrix[:3, 3])
        base_from_board = base_from_camera @ pose
        arm = base_from_board.translation_m - matrix[:3, 3]
        turned = np.kron(np.eye(2), matrix[:3, :3])
        joints = carried_error(views.joints[i], arm)
        q = views.joints_rad[i]
        mounted = rig.arm.forward(q, last.parent)[:3, :3] if last.kind == "fixed" else matrix[:3, :3]
        mount = carried_error(np.kron(np.eye(2), mounted), arm)
        covariance = turned @ own @ turned.T + rig.errors.joint_rad**2 * joints @ joints.T
        by_shared = np.hstack([joints, mount, turned @ by_intrinsics])
        middle = view.points_m[:, :2].mean(axis=0)
        out.append(patch_of_board(base_from_board, middle, covariance, by_shared, thick_m))
    return out, shared


def carried_error(by: Array, arm_m: Array) -> Array:
    """Return the effect (6, k) on the board of errors that turn and move the camera by ``by`` (6, k), base axes."""
    return np.vstack([by[:3], by[3:] - skew(arm_m) @ by[:3]])


def pose_error(pose: Pose, points_m: Array, pixels: Array, camera: Camera) -> tuple[Array, Array]:
    """Return the covariance (6, 6) of ``camera_from_board`` and its Jacobian (6, 4) by fx fy cx cy, camera axes."""
    by_pose, by_camera, missed = pixel_jacobians(pose, points_m, pixels, camera)
    flat = by_pose.reshape(-1, 6)
    gain = np.linalg.inv(flat.T @ flat)
    variance = max(float(missed @ missed) / max(len(missed) - 6, 1), CORNER_SIGMA_PX**2)
    return np.asarray(variance * gain), -gain @ flat.T @ by_camera.reshape(-1, 4)


def pixel_jacobians(pose: Pose, points_m: Array, pixels: Array, camera: Camera) -> tuple[Array, Array, Array]:
    """Return Jacobians of projected corners by the pose (n, 2, 6) and by fx fy cx cy (n, 2, 4), and what is missed."""
    turned = np.asarray(points_m) @ pose.rotation.T
    x, y, z = (turned + pose.translation_m).T
    ideal = np.column_stack([x / z, y / z])
    seen, by_ideal = camera.distort(ideal)
    by_point = np.zeros((len(x), 2, 3))
    by_point[:, 0, 0] = by_point[:, 1, 1] = 1.0 / z
    by_point[:, :, 2] = -ideal / z[:, None]
    focal = np.array([camera.fx_px, camera.fy_px])
    by_point = focal[None, :, None] * (by_ideal @ by_point)
    by_turn = by_point @ np.array([-skew(v) for v in turned])
    by_camera = np.zeros((len(x), 2, 4))
    by_camera[:, 0, 0], by_camera[:, 1, 1] = seen.T
    by_camera[:, 0, 2] = by_camera[:, 1, 3] = 1.0
    missed = np.asarray(pixels) - (seen * focal + np.array([camera.cx_px, camera.cy_px]))
    return np.concatenate([by_turn, by_point], axis=2), by_camera, missed.ravel()


def data_of(result: GroundResult) -> dict[str, Any]:
    """Return the result as plain values, SI, base axes."""
    p, drive = result.plane, result.drive
    out: dict[str, Any] = {
        "verdict": result.verdict(), "pictures": len(result.patches), "fields": result.fields,
        "warnings": list(result.warnings), "notes": list(result.notes),
    }  # fmt: skip
    if drive is not None:
        out["drive"] = {
            "slope": drive.tilted.slope.tolist(), "covariance": drive.tilted.covariance.tolist(),
            "slope_rad": drive.tilted.slope_rad, "slope_sigma_rad": drive.tilted.slope_sigma_rad,
            "tilt_rad": drive.tilted.tilt_rad, "places": len(drive.poses), "distance_m": drive.distance_m,
        }  # fmt: skip
    if p is None:
        return out
    return out | {
        "about_m": p.about_m.tolist(),
        "height_m": p.height_m, "slope": p.slope.tolist(), "covariance": p.covariance.tolist(),
        "slope_rad": p.slope_rad, "slope_sigma_rad": p.slope_sigma_rad, "uphill_rad": p.uphill_rad,
        "height_scatter_m": p.roughness_m, "height_scatter_95_m": list(p.roughness_95_m),
        "consistent": p.consistent,
        "each": [
            {"picture": name, "place_m": patch.place_m.tolist(), "height_m": float(patch.values[0]),
             "slope": patch.values[1:].tolist()}
            for name, patch in zip(result.names, result.patches, strict=True)
        ],
    }  # fmt: skip
