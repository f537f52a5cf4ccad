"""What ``locate`` found as one picture: how well each plant is known, and whether pictures and stated errors agree."""

from __future__ import annotations

import contextlib
import math
import os
import textwrap
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from swardwright.domain.errors import InputError
from swardwright.domain.site import Site
from swardwright.domain.uncertainty import ellipse
from swardwright.domain.weed import Register, Weed
from swardwright.shell.agreement import CONTRADICTS, Agreement, agreement
from swardwright.shell.figures import _ground, _save
from swardwright.shell.report_map import COLOURS, Extent

INK, SOFT, BAND, LIMIT, TRACK = "#24241f", "#625f54", "#e4e2dc", COLOURS[1], "#8a8577"
_KNOWN, _SUSPECT = COLOURS[0], COLOURS[1]
#: estimates farther out than this many stated standard deviations are drawn at the rim with their number
_RIM = 6.0
_ORDER = ("mount", "intrinsics", "joint_offset", "plane", "drift")
_ENDINGS = (".png", ".svg", ".pdf")


def check_out(out: Path | None, force: bool) -> None:
    """Refuse a figure's path that a person named, before anything is done."""
    if out is None:
        return
    if out.suffix.lower() not in _ENDINGS:
        raise InputError("the figure's file needs a known ending", where="locate", field="--out", value=out.name,
                         limit=", ".join(_ENDINGS), remedy="name the file with one of these")  # fmt: skip
    if out.exists() and not force:
        raise InputError("there is a file of that name already", where="locate", field="--out", value=str(out),
                         remedy="name another one, or add --force to overwrite it")  # fmt: skip


def write_figure(folder: Path, site: Site, register: Register, out: Path | None) -> tuple[Path, str]:
    """Draw a register to ``out`` (default: the site's reports), whole or not at all; return where, and a line on it."""
    path = folder / "reports" / f"locate-{register.revision}.png" if out is None else out
    was_there = path.exists()
    part = path.with_name(f".{path.stem}.part{path.suffix}")
    try:
        locate_figure(part, site, register)
        os.replace(part, path)
    except OSError as error:
        with contextlib.suppress(OSError):
            part.unlink(missing_ok=True)
        raise InputError(f"the register is stored, its figure cannot be written ({error.strerror})", where=str(path),
                         remedy="name a place that you may write to with --out") from error  # fmt: skip
    return path, f"Figure: {path}" + (" (the one before was replaced)." if was_there else ".")


def locate_figure(path: Path, site: Site, register: Register) -> None:
    """Draw the map, what was learnt of shared errors, and the distribution of standard deviations.

    Axes are ground axes in metres, stated standard deviations, and millimetres.
    """
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    judged = agreement(register, site)
    rows = _rows(judged)
    weeds = [w for w in register.weeds if w.presence >= site.limits.presence_min]
    figure = Figure(figsize=(13.0, max(6.6, 3.9 + 0.21 * len(rows))), layout="constrained")
    FigureCanvasAgg(figure)
    grid = figure.add_gridspec(2, 2, width_ratios=[1.45, 1.0], height_ratios=[max(len(rows), 6) + 2, 8])
    ground = figure.add_subplot(grid[:, 0])
    shared, spread = figure.add_subplot(grid[0, 1]), figure.add_subplot(grid[1, 1])
    for axes in (ground, shared, spread):
        for side in ("top", "right"):
            axes.spines[side].set_visible(False)
    sigma_mm = 1e3 * np.array([_sigma_m(w) for w in weeds])
    worst_mm = 1e3 * np.sqrt([float(np.linalg.eigvalsh(w.covariance_m2)[-1]) for w in weeds])
    limit_mm = 1e3 * site.limits.aim_sigma_max_m
    _map(figure, ground, site, register, weeds, sigma_mm)
    _shared(shared, rows, judged)
    _spread(spread, worst_mm, limit_mm)
    figure.suptitle("\n".join(textwrap.wrap(_title(site, weeds, sigma_mm, judged), 126)), x=0.008, ha="left",
                    fontsize=14, color=_SUSPECT if judged.verdict == CONTRADICTS else INK)  # fmt: skip
    _save(figure, path)


def _title(site: Site, weeds: list[Weed], sigma_mm: Any, judged: Agreement) -> str:
    mark = " (invented data)" if site.invented else ""
    if not weeds:
        return f"{site.name}{mark}: no plants are believed to stand"
    known = f"{len(weeds)} plants, each known to {np.median(sigma_mm):.1f} mm"
    if judged.verdict == CONTRADICTS:
        return f"{site.name}{mark}: {judged.short}: all {len(weeds)} places are doubtful"
    return f"{site.name}{mark}: {known}; {judged.short}"


def _sigma_m(weed: Weed) -> float:
    return math.sqrt(float(np.trace(weed.covariance_m2)) / 2)


def _enlarged(weeds: list[Weed]) -> int:
    large_m = float(np.median([ellipse(w.covariance_m2)[0] for w in weeds])) if weeds else 0.0
    return max((f for f in (1, 2, 5, 10, 20, 50) if f * large_m <= 0.2), default=1)


def _map(figure: Any, axes: Any, site: Site, register: Register, weeds: list[Weed], sigma_mm: Any) -> None:
    from matplotlib.collections import EllipseCollection
    from matplotlib.colors import LinearSegmentedColormap

    extent = Extent.around(site, tuple(weeds), None)
    _ground(axes, site, extent)
    tracks: dict[str, list[tuple[float, float]]] = {}
    for key, pose in register.base_poses:
        tracks.setdefault(key.partition("/")[0], []).append((pose.x_m, pose.y_m))
    for number, way in enumerate(tracks.values()):
        axes.plot(*np.array(way).T, "-", color=TRACK, linewidth=0.8, alpha=0.8, zorder=2,
                  label=None if number else "base, corrected")  # fmt: skip
    factor = _enlarged(weeds)
    if weeds:
        shape = np.array([ellipse(w.covariance_m2) for w in weeds])
        places = np.array([w.mean_m for w in weeds])
        low, high = np.quantile(sigma_mm, [0.02, 0.98])
        colours = LinearSegmentedColormap.from_list("known", ["#2a9d6f", "#2f6f8f", "#4a1f5e", "#d55e00"])
        size = 2 * factor * shape
        drawn = EllipseCollection(size[:, 0], size[:, 1], np.degrees(shape[:, 2]), units="xy", offsets=places,
                                  offset_transform=axes.transData, array=sigma_mm, cmap=colours, alpha=0.75,
                                  linewidths=0.4, edgecolors="white", zorder=4)  # fmt: skip
        drawn.set_clim(low, max(high, low + 0.1))
        axes.add_collection(drawn)
        axes.plot(*places.T, ".", color=INK, markersize=1.8, zorder=5)
        scale = axes.inset_axes((0.2, -0.17, 0.6, 0.03))
        figure.colorbar(drawn, cax=scale, orientation="horizontal", extend="both",
                        label="standard deviation per axis, mm")  # fmt: skip
    west, south, east, north = extent.bounds_m
    if tracks:
        base = np.array([p for way in tracks.values() for p in way])
        west, south = min(west, base[:, 0].min() - 0.2), min(south, base[:, 1].min() - 0.2)
        east, north = max(east, base[:, 0].max() + 0.2), max(north, base[:, 1].max() + 0.2)
    axes.set(xlim=(west, east), ylim=(south, north), xlabel="east, m", ylabel="north, m")
    axes.set_aspect("equal", anchor="N")
    times = f"drawn {factor} times larger" if factor > 1 else "to scale"
    axes.set_title(f"Crowns with their 95 % ellipses, {times}; thin: the base's corrected way", loc="left", fontsize=11)


@dataclass(frozen=True)
class _Row:
    """One line of the drawing of shared errors: at, half width (in stated standard deviations) and what is written."""

    name: str
    at: float
    half: float
    text: str
    suspect: bool
    first: bool


def _rows(judged: Agreement) -> list[_Row]:
    """Return suspects first; of an error that is not stated only that it is suspect and how large it would be."""
    order = {name: i for i, name in enumerate(_ORDER)}
    rows = []
    for s in sorted(judged.sources, key=lambda s: (not s.suspect, order.get(s.source, 9))):
        if not s.is_stated:
            if s.suspect:
                rows.append(_Row(f"{s.word}", math.inf, 0.0, f"{s.size()}; stated as 0", True, True))
            continue
        for i, c in enumerate(s.learnt):
            value, stated = c.explains if s.suspect else c.estimate, max(c.stated, 1e-300)
            text = _valued(value, c.sigma, c.unit)
            rows.append(_Row(c.name, value / stated, 2 * c.sigma / stated, text, s.suspect, i == 0))
    return rows


def _shared(axes: Any, rows: list[_Row], judged: Agreement) -> None:
    fit = "nothing was seen twice"
    if judged.degrees:
        fit = f"one plant's sightings scatter {judged.scatter:.2f} times what is stated"
    axes.set_title(f"What the pictures say of shared errors\n({fit})", loc="left", fontsize=11)
    if not rows:
        axes.text(0.5, 0.5, "none is stated", ha="center", va="center", color=SOFT, transform=axes.transAxes)
        axes.set_axis_off()
        return
    axes.axvspan(-2, 2, color=BAND, zorder=0)
    axes.axvline(0, color="#b9b5aa", linewidth=0.9, zorder=1)
    for y, row in enumerate(rows):
        colour = _SUSPECT if row.suspect else _KNOWN
        rim = _RIM - 0.3
        if abs(row.at) > rim:
            axes.plot(math.copysign(rim, row.at), y, ">" if row.at > 0 else "<", color=colour, markersize=7, zorder=3)
        else:
            axes.errorbar(row.at, y, xerr=row.half, fmt="o", color=colour, markersize=4.5, elinewidth=1.8, zorder=3)
        if row.first and y:
            axes.axhline(y - 0.5, color="#ffffff", linewidth=2.5, zorder=0.5)
        axes.text(1.01, y, row.text, transform=axes.get_yaxis_transform(), va="center", fontsize=9, color=colour)
    axes.set_yticks(range(len(rows)), [row.name for row in rows], fontsize=9)
    axes.tick_params(axis="y", length=0)
    for label, row in zip(axes.get_yticklabels(), rows, strict=True):
        if row.suspect:
            label.set_color(_SUSPECT)
            label.set_fontweight("bold")
    axes.set(xlim=(-_RIM, _RIM), ylim=(len(rows) - 0.4, -0.6))
    axes.set_xlabel("stated less true, in stated s.d. (bars and grey band: 2 s.d.)", fontsize=9.5)


def _valued(value: float, sigma: float, unit: str) -> str:
    digits = 0 if sigma <= 0 else min(max(1 - math.floor(math.log10(sigma)), 0), 4)
    if abs(value) > 30 * sigma:  # stated as exact: the s.d. says nothing
        return f"{value:+.2g} {unit}"
    return f"{value:+.{digits}f} ± {sigma:.{digits}f} {unit}"


def _spread(axes: Any, worst_mm: Any, limit_mm: float) -> None:
    over = int((worst_mm > limit_mm).sum())
    many = "no plant is" if over == 0 else "1 plant is" if over == 1 else f"{over} plants are"
    axes.set_title(f"How well plants are known: {many} beyond the aim limit", loc="left", fontsize=11)
    if len(worst_mm):
        edge = max(float(worst_mm.max()) * 1.05, 1.0)
        axes.hist(worst_mm, bins=np.linspace(0, edge, 31), color=_KNOWN, alpha=0.85)
        right = max(edge, 1.12 * limit_mm) if limit_mm < 8 * edge else edge
        axes.set_xlim(0, right)
        if limit_mm <= right:
            axes.axvline(limit_mm, color=LIMIT, linewidth=1.8)
            axes.text(limit_mm, 0.97, f"aim limit, {limit_mm:.0f} mm ", transform=axes.get_xaxis_transform(),
                      ha="right", va="top", fontsize=9, color=LIMIT)  # fmt: skip
        else:
            axes.text(0.99, 0.97, f"aim limit: {limit_mm:.0f} mm", transform=axes.transAxes, ha="right", va="top",
                      fontsize=9, color=LIMIT)  # fmt: skip
    axes.xaxis.get_major_locator().set_params(integer=True)
    axes.set(xlabel="standard deviation in the worst direction, mm", ylabel="plants")


__all__ = ["check_out", "locate_figure", "write_figure"]
