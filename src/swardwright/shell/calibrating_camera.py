"""``swardwright calibrate camera``: intrinsics, their covariance, a plain verdict, rescaling."""

from __future__ import annotations

import math
import os
import re
from collections.abc import Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click
import numpy as np

from swardwright.domain.camera import Camera
from swardwright.domain.errors import InputError
from swardwright.shell.board_options import board_from, board_options
from swardwright.shell.camera_file import camera_text, load_camera
from swardwright.shell.commanding import json_option, say
from swardwright.shell.saying import Progress, Said

if TYPE_CHECKING:
    from swardwright.locating.calibration.boards import Board
    from swardwright.locating.calibration.camera import CameraCalibration
    from swardwright.shell.board_pictures import Found

CAMERA_FILE, SITE_FILE = "camera.yaml", "site.toml"
NAMES = ("fx", "fy", "cx", "cy", "k1", "k2", "p1", "p2", "k3")


@click.command("camera")
@click.argument("sources", nargs=-1, required=True, type=click.Path(path_type=Path))
@board_options
@click.option("--rational", is_flag=True, help="Fit k4 k5 k6 too: for very wide lenses only.")
@click.option(
    "--height", help="Camera height at work, for what errors mean on the ground  [default: the site's, or 1 m]"
)
@click.option("--topic", help="Stream of a robot log that has the pictures  [default: the only one]")
@click.option("--rescale", metavar="640x480", help="Only rescale a calibration to pictures resized as a whole.")
@click.option("--crop", metavar="L,T,WxH", help="Only carry a calibration to pictures cut from column L and row T.")
@click.option(
    "--out", type=click.Path(path_type=Path, dir_okay=False), help="Camera file to write  [default: camera.yaml]"
)
@click.option("--write/--no-write", "write", default=True, help="Write the camera file  [default: write]")
@click.option(
    "--figure", type=click.Path(path_type=Path, dir_okay=False), help="Where to draw  [default: beside the file]"
)
@click.option("--force", is_flag=True, help="Overwrite a file; write although the verdict is 'not usable'.")
@json_option
def camera(sources: tuple[Path, ...], rational: bool, height: str | None, topic: str | None, rescale: str | None,
           crop: str | None, out: Path | None, write: bool, figure: Path | None, force: bool,
           **board: Any) -> None:  # fmt: skip
    """Find a camera's intrinsics, how well they are known, and what that means on the ground.

    SOURCES are pictures of one flat board, a folder of them, a robot log or a video; zoom and focus fixed, the board
    near and far, tilted to all sides, up to the picture's corners. A site folder named first gets the result as its
    camera.yaml; the old one is kept under its date.

    Example: swardwright calibrate camera lawn board-pictures --board 9x6 --square 25mm

    Example, no site: swardwright calibrate camera pictures --charuco 7x5 --square 40mm --marker 30mm

    Example, pictures were halved: swardwright calibrate camera camera.yaml --rescale 640x480
    """
    from swardwright.domain.units import parse_quantity

    for source in sources:
        if not source.exists():
            raise InputError("there is no such file or folder", where=str(source), remedy="check the path")
    site = sources[0] if (sources[0] / SITE_FILE).is_file() else None
    if rescale is not None or crop is not None:
        say(carry_over(sources, site, rescale, crop, out, write, force))
        return
    rest = sources if site is None else sources[1:]
    if not rest:
        raise InputError("there are no pictures to calibrate from", where="calibrate camera",
                         remedy="name pictures of a board, a folder of them, a robot log or a video")  # fmt: skip
    height_m = 1.0 if height is None else parse_quantity(height, "length")
    subject = "Camera"
    if site is not None:
        from swardwright.shell.site_file import load_site

        here = load_site(site)
        height_m = here.camera_height_m if height is None else height_m
        subject = f"{here.name}{' (invented data)' if here.invented else ''}, camera"
        topic = topic or here.topics.image
    if not 0.05 <= height_m <= 20:
        raise InputError("this is no height of a camera over turf", field="--height", value=f"{height_m:g} m",
                         limit="5 cm to 20 m", remedy="measure it")  # fmt: skip
    target = out or (site / CAMERA_FILE if site is not None else Path(CAMERA_FILE))
    if write:
        _check_free(target, site, force)
    made = board_from(**board)
    found, result = calibrate(rest, made, topic, rational, height_m)
    lines, data = told(found, result, made)
    where = figure or (
        site / "reports" / "camera.png" if site is not None and out is None else target.with_suffix(".png")
    )
    from swardwright.shell.camera_figure import camera_figure

    camera_figure(where, result, subject)
    lines.append(f"Figure: {where}")
    data |= {"figure": str(where), "written": None, "kept": None}
    if write and result.verdict == "not usable" and not force:
        lines.append(f"{target} was not written: the calibration is not usable (take the pictures above, or --force).")
    elif write:
        comment = (f"Calibrated {datetime.now(UTC):%Y-%m-%d} from {len(result.views)} views of a {made}; "
                   f"{result.fit.reprojection_px:.3f} px r.m.s.; {result.verdict}")  # fmt: skip
        lines += _write(target, site, result.camera, comment, data)
    say(Said(tuple(lines), data))


def calibrate(sources: Sequence[Path], board: Board, topic: str | None, rational: bool,
              height_m: float) -> tuple[Found, CameraCalibration]:  # fmt: skip
    """Find the board and calibrate."""
    from swardwright.locating.calibration.camera import calibrate_camera
    from swardwright.shell.board_pictures import find_views

    found = find_views(sources, board, topic, Progress("looking for the board"))
    result = calibrate_camera(found.views, board, rational=rational, height_m=height_m,
                              progress=Progress("holding views out"))  # fmt: skip
    return found, result


def told(found: Found, result: CameraCalibration, board: Board) -> tuple[list[str], dict[str, Any]]:
    """Return the result in words and as data."""
    c, fit = result.camera, result.fit
    sigma = np.sqrt(np.diag(c.covariance))
    values = (c.fx_px, c.fy_px, c.cx_px, c.cy_px)
    lines = [f"Verdict: {result.verdict}." if not result.reasons else f"Verdict: {result.verdict}:"]
    lines += [f"  - {reason}" for reason in result.reasons]
    seen = f"{board} found in {len(found.views)} of {found.pictures} pictures, {c.width_px}x{c.height_px}"
    lines.append(f"{seen}; {len(result.views)} views used"
                 + (f", {result.strays} stray corners left out" if result.strays else "") + ".")  # fmt: skip
    lines += [f"  left out: {name}: {reason}" for name, reason in result.dropped]
    lines += [f"  {count} x {reason}" for reason, count in found.left_out.items()]
    lines.append("  ".join(f"{n} {v:.2f} ± {s:.2f} px" for n, v, s in zip(NAMES[:4], values, sigma[:4], strict=True)))
    lines.append(
        "  ".join(f"{n} {v:.4f} ± {s:.4f}" for n, v, s in zip(NAMES[4:], c.distortion[:5], sigma[4:], strict=True))
    )
    held = result.held_out
    lines.append(f"Corners are predicted to {fit.reprojection_px:.3f} px r.m.s."
                 + ("." if held is None else f"; in views not used to {held.reprojection_px:.3f} px."))  # fmt: skip
    corner = f"{1000 * result.corner_m:.1f} mm" if math.isfinite(result.corner_m) else "nothing"
    lines.append(f"On the ground, from {result.height_m:.2f} m, the intrinsics alone are good to "
                 f"{1000 * result.centre_m:.1f} mm at the picture's centre, {corner} in its worst corner.")  # fmt: skip
    lines += [f"Worth adding: {v.words} (error over the picture then {1000 * v.error_m:.1f} mm)."
              for v in result.next_views]  # fmt: skip
    data = {
        "verdict": str(result.verdict), "reasons": list(result.reasons), "pictures": found.pictures,
        "views": [v.name for v in result.views], "left_out": found.left_out,
        "dropped": [{"view": n, "reason": r} for n, r in result.dropped], "stray_corners": result.strays,
        "width_px": c.width_px, "height_px": c.height_px, "fx_px": c.fx_px, "fy_px": c.fy_px, "cx_px": c.cx_px,
        "cy_px": c.cy_px, "distortion": [float(v) for v in c.distortion],
        "sigma": dict(zip(NAMES, map(float, sigma), strict=True)), "widened": result.widened,
        "reprojection_px": fit.reprojection_px, "pixel_sigma_px": fit.pixel_sigma_px,
        "held_out_px": None if held is None else held.reprojection_px,
        "by_view_px": dict(zip([v.name for v in result.views], map(float, fit.by_view_px), strict=True)),
        "covered": result.coverage.share, "missed_corners": list(result.coverage.missed_corners),
        "missed_tilts": list(result.coverage.missed_tilts), "camera_height_m": result.height_m,
        "ground_centre_m": result.centre_m, "ground_corner_m": result.corner_m,
        "worth_adding": [{"words": v.words, "error_m": v.error_m} for v in result.next_views],
    }  # fmt: skip
    return lines, data


def carry_over(sources: Sequence[Path], site: Path | None, rescale: str | None, crop: str | None, out: Path | None,
               write: bool, force: bool) -> Said:  # fmt: skip
    """Carry a calibration to pictures that were cropped, then resized."""
    if len(sources) != 1 or (site is None and not sources[0].is_file()):
        raise InputError("one calibration is carried over at a time", field="--rescale, --crop",
                         value=", ".join(s.name for s in sources), limit="one camera file or site folder",
                         remedy="name camera.yaml or the site folder")  # fmt: skip
    source = site / CAMERA_FILE if site is not None else sources[0]
    before = load_camera(source)
    after, done = before, []
    if crop is not None:
        left, top, wide, tall = _whole(
            crop, r"(\d+)\s*,\s*(\d+)\s*,\s*(\d+)\s*[x×]\s*(\d+)", "--crop", "100,40,640x480"
        )
        after = after.cropped(left, top, wide, tall)
        done.append(f"cut to {wide}x{tall} from column {left}, row {top}")
    if rescale is not None:
        wide, tall = _whole(rescale, r"(\d+)\s*[x×]\s*(\d+)", "--rescale", "640x480")
        try:
            after = after.resized(wide, tall)
        except InputError as error:
            raise InputError(error.what, where=source.name, field="--rescale", value=error.value, limit=error.limit,
                             remedy="find out which part of the picture was kept and add --crop LEFT,TOP,WIDTHxHEIGHT "
                             "(cropping is done first)") from error  # fmt: skip
        done.append(f"resized to {wide}x{tall}")
    target = out or (source if site is not None
                     else source.with_name(f"{source.stem}-{after.width_px}x{after.height_px}.yaml"))  # fmt: skip
    data: dict[str, Any] = {
        "from": str(source), "width_px": after.width_px, "height_px": after.height_px, "fx_px": after.fx_px,
        "fy_px": after.fy_px, "cx_px": after.cx_px, "cy_px": after.cy_px, "written": None, "kept": None,
    }  # fmt: skip
    how = " and ".join(done)
    lines = [f"{before.width_px}x{before.height_px} {how}: f {after.fx_px:.2f} {after.fy_px:.2f} px, "
             f"centre {after.cx_px:.2f} {after.cy_px:.2f} px; the covariance is carried along."]  # fmt: skip
    if write:
        _check_free(target, site, force)
        was = f"{source.name} ({before.width_px}x{before.height_px})"
        lines += _write(target, site, after, f"{was} {how}, {datetime.now(UTC):%Y-%m-%d}", data)
    return Said(tuple(lines), data)


def _whole(text: str, pattern: str, field: str, example: str) -> tuple[int, ...]:
    match = re.fullmatch(rf"\s*{pattern}\s*", text)
    if match is None or any(len(part) > 6 for part in match.groups()):
        raise InputError("whole numbers of pixels are needed", field=field, value=text, limit=f"such as {example}",
                         remedy="write width x height; --crop has column and row before it")  # fmt: skip
    return tuple(int(part) for part in match.groups())


def _check_free(target: Path, site: Path | None, force: bool) -> None:
    """Refuse to overwrite a file that is not the site's own (which is kept under its date)."""
    if target.exists() and not force and not (site is not None and target == site / CAMERA_FILE):
        raise InputError("there is a file of that name already", where=str(target), field="--out",
                         remedy="name another file with --out, or overwrite it with --force")  # fmt: skip


def _write(target: Path, site: Path | None, camera: Camera, comment: str, data: dict[str, Any]) -> list[str]:
    """Write a camera file whole; a site's old one is kept under its date."""
    kept = None
    if site is not None and target == site / CAMERA_FILE and target.exists():
        when = f"{datetime.fromtimestamp(target.stat().st_mtime, UTC):%Y-%m-%dT%H%M%S}"
        free = (site / f"camera-until-{when}{tail}.yaml" for tail in ("", *(f"-{n}" for n in range(2, 1000))))
        kept = next(p for p in free if not p.exists())
        kept.write_bytes(target.read_bytes())
    staging = target.with_name(f".{target.name}.{os.getpid()}")
    try:
        target.parent.mkdir(parents=True, exist_ok=True)
        staging.write_text(camera_text(camera, comment), encoding="utf-8")
        os.replace(staging, target)
    except OSError as error:
        raise InputError(f"the camera file cannot be written ({error.strerror})", where=str(target),
                         remedy="name a place that you may write to with --out") from error  # fmt: skip
    finally:
        staging.unlink(missing_ok=True)
    data["written"], data["kept"] = str(target), None if kept is None else str(kept)
    lines = [f"Written: {target}" + (f"; the old one is kept as {kept.name}" if kept is not None else "") + "."]
    return lines + ([f"Next: swardwright status {site}"] if site is not None else [])


__all__ = ["calibrate", "camera", "carry_over", "told"]
