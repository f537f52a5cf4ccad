"""The sheet of the worst mistakes: each cut out of its picture with the crown marked."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np

from swardwright.learning.judged import Judged
from swardwright.learning.samples import Sample
from swardwright.learning.trust_parts import Mistake
from swardwright.shell.report_map import COLOURS

#: side of a cut-out in plant radii, and its least side in pixels
_RADII, _LEAST_PX = 6.0, 96
_COLUMNS = 8
_WORDS = {
    "missed": "missed", "taken for one to spare": "spared", "bare ground": "burns ground",
    "one to spare": "burns one to spare",
}  # fmt: skip
_MISSED, _BURNT = COLOURS[1], COLOURS[0]


def mistake_sheet(
    path: Path, title: str, judged: Judged, samples: Sequence[Sample], mistakes: Sequence[Mistake]
) -> None:
    """Draw the mistakes, misses first; dashed circles are labels missed, full ones what would be burnt."""
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    rows = max(1, -(-len(mistakes) // _COLUMNS))
    figure = Figure(figsize=(1.75 * _COLUMNS, 0.7 + 2.15 * rows), layout="constrained")
    FigureCanvasAgg(figure)
    cells = np.ravel(figure.subplots(rows, _COLUMNS, squeeze=False))
    for axes in cells:
        axes.set_axis_off()
    if not mistakes:
        cells[0].text(0.0, 0.5, "no mistakes", fontsize=12, transform=cells[0].transAxes)
    loaded: dict[int, Any] = {}
    for axes, mistake in zip(cells, mistakes, strict=False):
        if mistake.picture not in loaded:
            loaded = {mistake.picture: samples[mistake.picture].load()}
        _cell(axes, mistake, loaded[mistake.picture], judged)
    figure.suptitle(title, x=0.008, ha="left", fontsize=12)
    path.parent.mkdir(parents=True, exist_ok=True)
    figure.savefig(path, dpi=100, metadata={"Software": None} if path.suffix.lower() == ".png" else None)


def _cell(axes: Any, mistake: Mistake, image: Any, judged: Judged) -> None:
    from matplotlib.patches import Circle

    half = max(_RADII * mistake.radius_px, _LEAST_PX) / 2
    u, v = mistake.u_px, mistake.v_px
    height, width = image.shape[:2]
    left, top = max(int(u - half), 0), max(int(v - half), 0)
    right, bottom = min(int(u + half) + 1, width), min(int(v + half) + 1, height)
    axes.imshow(image[top:bottom, left:right], extent=(left - 0.5, right - 0.5, bottom - 0.5, top - 0.5),
                interpolation="nearest")  # fmt: skip
    missed = mistake.sort in ("missed", "taken for one to spare")
    colour = _MISSED if missed else _BURNT
    for width_pt, shade in ((3.0, "white"), (1.5, colour)):
        axes.add_patch(Circle((u, v), mistake.radius_px, fill=False, edgecolor=shade, linewidth=width_pt,
                              linestyle=(0, (4, 3)) if missed else "solid"))  # fmt: skip
        axes.plot(u, v, "+", color=shade, markersize=9, markeredgewidth=width_pt)
    axes.set_xlim(u - half, u + half)
    axes.set_ylim(v + half, v - half)
    name = judged.pictures[mistake.picture].name.rsplit("/", 1)[-1]
    axes.set_title(f"{_WORDS[mistake.sort]}: {mistake.kind}\n{mistake.probability:.2f}  {name[:22]}", fontsize=7.5,
                   color=colour, loc="left")  # fmt: skip
