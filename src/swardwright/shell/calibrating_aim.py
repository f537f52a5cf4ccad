"""``swardwright calibrate aim``: where heat really lands, from scorch marks on a photographed test sheet."""

from __future__ import annotations

import math
import os
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click
import numpy as np

from swardwright.domain.errors import InputError
from swardwright.domain.heat import Head
from swardwright.domain.units import parse_quantity
from swardwright.shell.aims_file import LENGTHS, read_aims
from swardwright.shell.board_options import board_from, board_options
from swardwright.shell.cautions import CAUTIONS, TEST_SHEET
from swardwright.shell.commanding import EXISTING, json_option, say
from swardwright.shell.saying import Progress, Said

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from swardwright.domain.poses import Array
    from swardwright.domain.site import Site
    from swardwright.locating.calibration.aim import Aiming
    from swardwright.locating.calibration.marks import Aimed, Seen
    from swardwright.locating.calibration.sheet import Sheet

MAX_PICTURE_BYTES = 100_000_000


@dataclass(frozen=True, eq=False)
class AimResult:
    """What the sheets gave: the estimate, what each picture showed, and the fields to write into ``[head]``."""

    aiming: Aiming
    sheets: tuple[tuple[str, Seen, Sheet], ...]
    fields: dict[str, str]
    wanted_m: float
    notes: tuple[str, ...]

    def verdict(self) -> str:
        """Return the finding in one sentence, without a full stop."""
        a = self.aiming
        far = 1e3 * float(np.hypot(*a.offset_m))
        if a.offset_is_real:
            return f"Heat lands {far:.1f} mm off the aim, single holds scatter by {1e3 * a.landing_sigma_m:.1f} mm"
        return f"Heat lands on the aim as far as {len(a.used)} marks can tell ({far:.1f} mm off, " \
            f"known to {1e3 * a.offset_sigma_m:.1f} mm)"  # fmt: skip


@click.command("aim", epilog=" ".join((*TEST_SHEET, *CAUTIONS)))
@click.argument("site", type=click.Path(path_type=Path))
@click.argument("pictures", type=EXISTING, nargs=-1, required=True)
@click.option("--aims", "aims_file", type=EXISTING, required=True,
              help="CSV: aim, x_mm, y_mm, dwell_s (sheet: x right, y down); spin_deg, tilt_deg, picture.")  # fmt: skip
@board_options
@click.option("--corners", metavar="'X,Y X,Y X,Y X,Y'",
              help="Without a board: pixels of the sheet's corners, top left first, clockwise.")  # fmt: skip
@click.option("--size", metavar="'600 mm, 400 mm'", help="With --corners: width and height between them.")
@click.option("--unit", type=click.Choice(LENGTHS), help="Of columns x and y that do not name theirs.")
@click.option("--spin", default="0 deg", show_default=True,
              help="Turn of the head about its axis: from the sheet's x to the head link's x.")  # fmt: skip
@click.option("--marks", type=click.Choice(["auto", "darker", "lighter"]), default="auto", show_default=True,
              help="Marks against the paper: scorched is darker, a dried patch of damp paper lighter.")  # fmt: skip
@click.option("--lens", is_flag=True, help="The pictures are the site camera's own: take its lens distortion out.")
@click.option("--aimed-without-offset", is_flag=True,
              help="The site's present [head] offset was not in use when the sheet was heated.")  # fmt: skip
@click.option("--wanted", default="1 mm", show_default=True, help="Say how many more marks reach this error.")
@click.option("--write", is_flag=True, help="Write the fields into site.toml; the old file is kept beside it.")
@click.option("--figure", type=click.Path(path_type=Path, dir_okay=False), default=None,
              help="Where to draw  [default: reports/aim.png in the site]")  # fmt: skip
@json_option
def aim(site: Path, pictures: tuple[Path, ...], aims_file: Path, write: bool, figure: Path | None, **how: Any) -> None:
    """Find where heat really lands, from scorch marks on a photographed test sheet or damp paper.

    Mark aims on the sheet, at least as far apart as the marks will be wide, heat each for its own time (1, 2, 4 and 8
    times the shortest tell the footprint), let the sheet go cold and photograph it whole, with a board or four corners
    whose distance you know. Aims count from the board's first inner corner, or from the top left corner.

    Example: swardwright calibrate aim green sheet.jpg --aims aims.csv --board 6x5 --square 20mm

    Example: swardwright calibrate aim green sheet.jpg --aims aims.csv --corners '210,180 1490,205 1470,1010 190,990'
    --size '600 mm, 400 mm'
    """
    from swardwright.shell.aim_figure import aim_figure
    from swardwright.shell.open_site import opened
    from swardwright.shell.site_edit import lines_to_paste, write_fields

    with opened(site) as at:
        here, folder = at.site, at.folder
    result = calibrate_aim(here, pictures, aims_file, **how)
    path = figure or folder / "reports" / "aim.png"
    replaced = drawn(path, lambda part: aim_figure(part, here, result))
    changes = {"head": result.fields}
    lines = [*lines_of(result), ""]
    data = data_of(result) | {"figure": str(path), "written": write}
    if write:
        kept = write_fields(folder, changes)
        data["kept"] = kept.name
        lines += [f"Written into [head] of site.toml; the file as it was is kept as {kept.name}:"]
    else:
        lines += ["To use it, paste this into site.toml (or run this again with --write):"]
    lines += [f"  {line}" for line in lines_to_paste(changes)]
    lines += ["", f"Figure: {path}" + (" (the one before was replaced)." if replaced else "."), "", *TEST_SHEET]
    say(Said(tuple(lines), data))


def calibrate_aim(
    site: Site, pictures: Sequence[Path], aims_file: Path, *, corners: str | None, size: str | None, unit: str | None,
    spin: str, marks: str, lens: bool, aimed_without_offset: bool, wanted: str, **board: Any,
) -> AimResult:  # fmt: skip
    """Look at the sheets and estimate; see the command.

    Raises
    ------
    InputError
        If a file, an option or what the pictures show cannot be used.
    """
    from swardwright.locating.calibration.aim import aiming
    from swardwright.locating.calibration.marks import look_at_sheet

    aims = by_picture(read_aims(aims_file, unit=unit, spin_rad=parse_quantity(spin, "angle")), pictures, aims_file.name)
    wanted_m = parse_quantity(wanted, "length")
    if not wanted_m > 0:
        raise InputError("a wanted error must be more than 0", field="--wanted", value=wanted)
    lighter = {"auto": None, "darker": False, "lighter": True}[marks]
    progress = Progress("looking at sheets")
    sheets = []
    for number, path in enumerate(pictures, start=1):
        image = read_picture(path)
        if lens:
            image = without_lens(image, site, path.name)
        sheet, exclude = place_sheet(image, path.name, corners, size, board)
        try:
            seen = look_at_sheet(image, sheet, aims[path.name], exclude_m=exclude, lighter=lighter)
        except InputError as error:
            raise InputError(error.what, where=f"{path.name}{f': {error.where}' if error.where else ''}",
                             field=error.field, value=error.value, limit=error.limit,
                             remedy=error.remedy) from error  # fmt: skip
        sheets.append((path.name, seen, sheet))
        progress(number, len(pictures))
    found = [m for _, seen, _ in sheets for m in seen.marks]
    total = max(len(found), 1)
    shared = sum(((len(seen.marks) / total) ** 2 * seen.registration_m2 for _, seen, _ in sheets), np.zeros((2, 2)))
    result = aiming(found, shared)
    return AimResult(result, tuple(sheets), fields_of(result, site.rig.head, aimed_without_offset), wanted_m,
                     _notes(result, sheets, site.rig.head, aimed_without_offset))  # fmt: skip


def by_picture(aims: dict[str, list[Aimed]], pictures: Sequence[Path], where: str) -> dict[str, list[Aimed]]:
    """Return the aims of each picture's name."""
    names = [p.name for p in pictures]
    if len(set(names)) < len(names):
        raise InputError("a picture is named twice", field="PICTURES", value=max(names, key=names.count))
    if len(pictures) == 1 and set(aims) == {""}:
        return {names[0]: aims[""]}
    unknown = sorted(set(aims) - set(names))
    without = [name for name in names if name not in aims]
    if unknown or without:
        raise InputError("aims and pictures do not belong together", where=where, field="picture",
                         value=", ".join(unknown) or "(no picture named)", limit=", ".join(names),
                         remedy="write each aim's picture into the column 'picture'; name every picture")  # fmt: skip
    return aims


def read_picture(path: Path) -> NDArray[np.uint8]:
    """Return a photograph, upright, red-green-blue."""
    from swardwright.footage.picture import UnreadablePictureError, decode

    remedy = "copy the picture again from the camera, as JPEG or PNG"
    try:
        if path.stat().st_size > MAX_PICTURE_BYTES:
            raise InputError("the picture's file is too large", where=path.name, limit=f"{MAX_PICTURE_BYTES} bytes",
                             remedy=remedy)  # fmt: skip
        return decode(path.read_bytes(), upright=True)
    except FileNotFoundError as error:
        raise InputError("there is no such picture", where=str(path), remedy="check the path") from error
    except (OSError, UnreadablePictureError) as error:
        raise InputError("the picture cannot be read, or is cut short", where=path.name, remedy=remedy) from error


def without_lens(image: NDArray[np.uint8], site: Site, name: str) -> NDArray[np.uint8]:
    """Return the picture as a camera without lens distortion would take it."""
    import cv2

    camera = site.rig.camera
    if (image.shape[1], image.shape[0]) != (camera.width_px, camera.height_px):
        raise InputError("the picture has another size than the site's camera", where=name, field="--lens",
                         value=f"{image.shape[1]} x {image.shape[0]}", limit=f"{camera.width_px} x {camera.height_px}",
                         remedy="leave --lens out, or give the camera's own picture")  # fmt: skip
    return np.asarray(cv2.undistort(image, camera.matrix, np.asarray(camera.distortion)), dtype=np.uint8)


def place_sheet(
    image: NDArray[np.uint8], name: str, corners: str | None, size: str | None, board: dict[str, Any]
) -> tuple[Sheet, Array | None]:
    """Return where the sheet lies in the picture, and the rectangle of the printed board in it."""
    from swardwright.locating.calibration.boards import look_for_board
    from swardwright.locating.calibration.sheet import BOARD_SIGMA_PX, NAMED_SIGMA_PX, sheet_from_corners

    if (corners is None) != (size is None):
        raise InputError("--corners and --size belong together", where=name, field="--size",
                         remedy="give the four corners' pixels and their distances")  # fmt: skip
    if corners is not None and size is not None:
        if board["board"] or board["charuco"]:
            raise InputError("a board and named corners are one too many", where=name, field="--corners",
                             remedy="leave one of them out")  # fmt: skip
        width, height = _size(size)
        points = np.array([[0, 0], [width, 0], [width, height], [0, height]])
        return sheet_from_corners(points, _corners(corners), NAMED_SIGMA_PX), None
    printed = board_from(**board)
    if not printed.one_way_round:
        raise InputError("half a turn looks the same on this board, so the aims' x and y are not known", where=name,
                         field="--board", value=f"{printed.columns}x{printed.rows}",
                         limit="one even and one odd number of inner corners",
                         remedy="print such a board, a ChArUco board, or use --corners")  # fmt: skip
    view, reason = look_for_board(image, printed, name=name)
    if view is None:
        raise InputError(f"the board is not found in the picture: {reason}", where=name, field="--board",
                         value=str(printed),
                         remedy="photograph the whole board sharp, or give --corners and --size")  # fmt: skip
    across, down = printed.corners
    side = printed.square_m
    # the outer squares and a margin of white as wide again
    rim = np.array([-2.2 * side, -2.2 * side, (across + 1.2) * side, (down + 1.2) * side])
    return sheet_from_corners(view.points_m[:, :2], view.pixels, BOARD_SIGMA_PX), rim


def _corners(text: str) -> Array:
    try:
        numbers = [[float(v) for v in part.split(",")] for part in text.split()]
        found = np.array(numbers)
    except ValueError:
        found = np.zeros((0, 2))
    if found.shape != (4, 2) or not np.isfinite(found).all():
        raise InputError("four corners are needed, in pixels", field="--corners", value=text,
                         limit="such as '210,180 1490,205 1470,1010 190,990'",
                         remedy="read them off: top left, top right, bottom right, bottom left")  # fmt: skip
    return found


def _size(text: str) -> tuple[float, float]:
    parts = text.split(",")
    if len(parts) == 2:
        width, height = (parse_quantity(p.strip(), "length") for p in parts)
        if 0.01 <= width <= 10 and 0.01 <= height <= 10:
            return width, height
    raise InputError("the sheet needs a width and a height", field="--size", value=text,
                     limit="such as '600 mm, 400 mm', each 1 cm to 10 m",
                     remedy="measure between the corners that --corners names")  # fmt: skip


def fields_of(a: Aiming, head: Head, aimed_without_offset: bool) -> dict[str, str]:
    """Return the ``[head]`` fields that the marks suggest; an offset already in use stays in and grows by the rest."""
    before = (0.0, 0.0) if aimed_without_offset else head.offset_m
    fields = {} if a.footprint is None else {"footprint_sigma": _mm(a.footprint.sigma_m)}
    fields["landing_sigma"] = _mm(a.landing_sigma_m)
    fields |= {f"offset_{axis}": _mm(old + float(d)) for axis, old, d in zip("xy", before, a.offset_m, strict=True)}
    return fields | {"offset_sigma": _mm(a.offset_sigma_m)}


def _mm(value_m: float) -> str:
    return f"{1e3 * value_m:.1f} mm"


def _notes(
    a: Aiming, sheets: Sequence[tuple[str, Seen, Sheet]], head: Head, aimed_without_offset: bool
) -> tuple[str, ...]:
    notes = [f.text[0].upper() + f.text[1:] + f" (probability of chance {f.p:.1g})" for f in a.findings if f.found]
    for outlier in a.outliers:
        notes.append(
            f"Left out: {outlier.aim}, {1e3 * outlier.distance_m:.0f} mm from where the other marks put it "
            f"(probability of chance {outlier.p:.1g}; T2 of one mark against all others, 1 % shared among the marks)"
        )
    for name, seen, sheet in sheets:
        if seen.unmarked:
            notes.append(
                f"{name}: no mark for {', '.join(seen.unmarked[:8])}" + (" ..." if len(seen.unmarked) > 8 else "")
            )
        if seen.spare:
            notes.append(f"{name}: {seen.spare} marks belong to no aim")
        notes += [f"{name}: {text}" for text in seen.dropped[:5]]
        if sheet.residual_px > 0.7:
            notes.append(f"{name}: the board's corners miss a flat sheet by {sheet.residual_px:.1f} px: bent paper, or "
                         "lens distortion (--lens takes out that of the site's camera)")  # fmt: skip
    if any(head.offset_m) and not aimed_without_offset:
        notes.append(f"The site's present offset ({1e3 * head.offset_m[0]:+.1f}, {1e3 * head.offset_m[1]:+.1f} mm) is "
                     "taken to have been in use; what is found comes on top of it")  # fmt: skip
    if all(not m.spin_rad for m in a.used):
        notes.append(
            "The head is taken to have stood with its x axis along the sheet's x (--spin, or a column spin_deg)"
        )
    return tuple(notes)


def lines_of(result: AimResult) -> list[str]:
    """Return what a person reads."""
    a = result.aiming
    half = [1e3 * math.sqrt(a.offset_factor * a.offset_covariance_m2[i, i]) for i in (0, 1)]
    low, high = (1e3 * v for v in a.landing_sigma_95_m)
    kind = "lighter than the paper" if result.sheets[0][1].lighter else "darker than the paper"
    out = [
        f"{result.verdict()} ({len(a.used)} marks, {kind}).",
        f"  offset in head axes  x {1e3 * a.offset_m[0]:+.1f} +- {half[0]:.1f} mm, y {1e3 * a.offset_m[1]:+.1f} +- "
        f"{half[1]:.1f} mm (sides of the 95 % region, Hotelling's T2)",
        f"  landing sigma        {1e3 * a.landing_sigma_m:.1f} mm per axis (95 %: {low:.1f} to {high:.1f} mm)",
    ]
    if a.footprint is None:
        out.append(f"  footprint            not told by these marks: {a.footprint_reason}")
    else:
        f = a.footprint
        out.append(
            f"  footprint sigma      {1e3 * f.sigma_m:.1f} mm (95 %: {1e3 * f.sigma_95_m[0]:.1f} to "
            f"{1e3 * f.sigma_95_m[1]:.1f} mm); this paper shows a mark from {f.t0_s:.2g} s on"
        )
    more = a.more_for_offset(result.wanted_m)
    if more:
        out.append(f"  {more} more marks would bring the offset to {_mm(result.wanted_m)} (standard deviation).")
    foot = a.more_for_footprint(result.wanted_m)
    if foot:
        out.append(
            f"  {foot} more marks of the same dwell times would bring the footprint sigma to {_mm(result.wanted_m)}."
        )
    return out + [f"  - {note}." for note in result.notes]


def data_of(result: AimResult) -> dict[str, Any]:
    """Return the result as plain values, SI."""
    a, f = result.aiming, result.aiming.footprint
    foot = None if f is None else {
        "sigma_m": f.sigma_m, "sigma_95_m": list(f.sigma_95_m), "t0_s": f.t0_s, "covariance_ln": f.covariance.tolist(),
    }  # fmt: skip
    return {
        "verdict": result.verdict(), "marks": len(a.used), "offset_m": a.offset_m.tolist(),
        "offset_covariance_m2": a.offset_covariance_m2.tolist(), "offset_factor_95": a.offset_factor,
        "offset_sigma_m": a.offset_sigma_m, "offset_is_real": a.offset_is_real,
        "scatter_m2": a.scatter_m2.tolist(), "landing_sigma_m": a.landing_sigma_m,
        "landing_sigma_95_m": list(a.landing_sigma_95_m), "footprint": foot, "footprint_reason": a.footprint_reason,
        "outliers": [{"aim": o.aim, "distance_m": o.distance_m, "p": o.p} for o in a.outliers],
        "findings": [{"what": t.what, "p": t.p, "found": t.found, "text": t.text, "size": t.size} for t in a.findings],
        "more_marks_for_offset": a.more_for_offset(result.wanted_m),
        "more_marks_for_footprint": a.more_for_footprint(result.wanted_m),
        "head": result.fields, "notes": list(result.notes),
        "each": [
            {"aim": m.aim, "centre_m": m.centre_m.tolist(), "radius_m": m.radius_m, "dwell_s": m.hold_s} for m in a.used
        ],
    }  # fmt: skip


def drawn(path: Path, draw: Any) -> bool:
    """Draw a figure whole or not at all; return whether one of that name was replaced."""
    if path.suffix.lower() not in (".png", ".svg", ".pdf"):
        raise InputError("the figure's file needs a known ending", field="--figure", value=path.name,
                         limit=".png, .svg or .pdf", remedy="name the file with one of these")  # fmt: skip
    there = path.exists()
    part = path.with_name(f".{path.stem}.part{path.suffix}")
    try:
        draw(part)
        os.replace(part, path)
    except OSError as error:
        part.unlink(missing_ok=True)
        raise InputError(f"the figure cannot be written ({error.strerror})", where=str(path), field="--figure",
                         remedy="name a place that you may write to") from error  # fmt: skip
    return there
