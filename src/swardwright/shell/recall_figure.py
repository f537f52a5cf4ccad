"""Two revisions of the register over each other: what appeared, what went, what moved."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from swardwright.shell.figures import _canvas, _ground, _save
from swardwright.shell.report_map import COLOURS, Extent

if TYPE_CHECKING:
    from swardwright.domain.site import Site
    from swardwright.domain.weed import Register, Weed
    from swardwright.shell.recalling import Comparison

_SHIFT = "#6b6455"
_STAYED, _NEW, _GONE, _MOVED, _BACK, _KIND = "#a8a294", COLOURS[4], COLOURS[1], COLOURS[0], COLOURS[2], "#33332f"


def revision_figure(path: Path, site: Site, later: Register, found: Comparison | None) -> None:
    """Draw the site with what changed; lines from old place to new are enlarged by the factor that the legend states.

    Axes are ground axes, metres. Without a comparison the revision's plants are drawn alone.
    """
    figure, axes = _canvas(10.6, 6.4)
    stands = site.limits.presence_min
    earlier = found.earlier.weeds if found else ()
    extent = Extent.around(site, (*later.weeds, *earlier), None)
    _ground(axes, site, extent)
    if found is None:
        standing = [w for w in later.weeds if w.presence >= stands]
        _dots(axes, standing, f"stands ({len(standing)})", ".", _STAYED, 7, filled=True)
        title = f"Register revision {later.revision}: {len(standing)} plants believed to stand"
    else:
        title = _changes(axes, found)
    west, south, east, north = extent.bounds_m
    axes.set(xlim=(west, east), ylim=(south, north), xlabel="east, m", ylabel="north, m")
    axes.set_aspect("equal")
    mark = " (invented data)" if site.invented else ""
    axes.set_title(f"{site.name}{mark}\n{title}", loc="left", fontsize=11)
    axes.legend(loc="center left", bbox_to_anchor=(1.01, 0.5), frameon=False, fontsize=9)
    _save(figure, path)


def _changes(axes: Any, found: Comparison) -> str:
    """Draw every sort of change; return the title's second line."""
    before = np.array([a.mean_m for a, _ in found.same]).reshape(-1, 2)
    after = np.array([b.mean_m for _, b in found.same]).reshape(-1, 2)
    shift = after - before
    size = np.linalg.norm(shift, axis=1)
    largest = float(np.quantile(size, 0.9)) if len(size) else 0.0
    factor = max((f for f in (1, 2, 5, 10, 20, 50) if f * largest <= 0.35), default=1)
    _dots(axes, [a for a, _ in found.same], f"stands in both ({len(found.same)})", ".", _STAYED, 5, filled=True)
    far = {d.weed_id for d in found.differences if d.what == "moved"}
    moved = np.array([b.id in far for _, b in found.same], dtype=bool)
    drawn = (size > 1e-3) & ~moved
    longer = before + factor * shift
    for old, new in zip(before[drawn], longer[drawn], strict=True):
        axes.plot(*np.array([old, new]).T, "-", color=_SHIFT, linewidth=1.1, zorder=4)
    if moved.any():
        axes.quiver(*before[moved].T, *(longer - before)[moved].T, angles="xy", scale_units="xy", scale=1, zorder=4,
                    color=_MOVED, width=0.0045, headwidth=3.5, headlength=4, headaxislength=3.6)  # fmt: skip
    marks = {
        "new": ("o", _NEW, 7, True), "split": ("D", _NEW, 6, False), "returned": ("^", _BACK, 7, True),
        "gone": ("x", _GONE, 7, False), "heated": ("x", _KIND, 5, False), "kind changed": ("s", _KIND, 9, False),
    }  # fmt: skip
    words = {"split": "split off", "returned": "back", "kind changed": "of another kind"}
    for what, (marker, colour, points, filled) in marks.items():
        mine = [d for d in found.differences if d.what == what]
        places = [w for d in mine if (w := d.before if what in ("gone", "heated") else d.after) is not None]
        _dots(axes, places, f"{words.get(what, what)} ({len(mine)})", marker, colour, points, filled=filled)
    by_id = {w.id: w for w in found.later.weeds}
    merged = [(d.before, by_id.get(d.others[0])) for d in found.differences if d.what == "merged" and d.others]
    for number, (gone, kept) in enumerate(pair for pair in merged if None not in pair):
        assert gone is not None
        assert kept is not None
        axes.plot(*np.array([gone.mean_m, kept.mean_m]).T, "-P", color=_BACK, linewidth=2, markersize=9,
                  markerfacecolor="none", zorder=6, label=None if number else f"merged ({len(merged)})")  # fmt: skip
    times = f" ({factor} x longer)" if factor > 1 else ""
    if moved.any():
        axes.plot([], [], "-", color=_MOVED, linewidth=2.5, label=f"moved > 3 sigma ({int(moved.sum())})")
    if drawn.any() or moved.any():
        axes.plot([], [], "-", color=_SHIFT, linewidth=1.1, label=f"new place{times}")
    return f"Register revision {found.later.revision} against {found.earlier.revision}: {found.sentence()}"


def _dots(axes: Any, weeds: Sequence[Weed], label: str, marker: str, colour: str, size: float, *, filled: bool) -> None:
    if weeds:
        axes.plot(*np.array([w.mean_m for w in weeds]).T, marker, markersize=size, markeredgecolor=colour,
                  markerfacecolor=colour if filled else "none", markeredgewidth=1.4, linestyle="none", label=label,
                  zorder=5)  # fmt: skip
