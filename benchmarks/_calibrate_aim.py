"""Tool aim: are offset and footprint as sure as they say, and as good as the data allow.

Marks are drawn from the model with its scatter, and photographs of sheets rendered, found and measured; the truth is
known. Bounds: average normalised error squared inside its 95 % chi-square bounds (Hotelling's T2 carried to chi-square
through F, the footprint's t through Student's), 93 to 97 % of 95 % regions contain the truth, and the root mean square
offset error at most 1.10 times the Cramer-Rao bound ``sqrt(trace((sum V_i^-1)^-1))`` with the true scatter.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import Any

import numpy as np

from swardwright.domain.poses import Array
from swardwright.locating.calibration.aim import Mark, aiming
from swardwright.locating.calibration.marks import Aimed, look_at_sheet
from swardwright.locating.calibration.sheet import Sheet, sheet_from_corners
from swardwright.simulation.marked_sheet import DAMP, Scorched, SheetLook, photograph, view_of

OFFSET = np.array([0.006, -0.004])
SCATTER = np.array([[25.0, 8.0], [8.0, 16.0]]) * 1e-6
SIGMA_M, T0_S, RADIUS2_M2 = 0.014, 0.6, 8e-6
HOLDS = (1.0, 2.0, 4.0, 8.0)


def figures(full: bool) -> Iterator[dict[str, Any]]:
    """Yield the figures; ``full`` draws 2,000 sets of marks and renders 24 sheets."""
    draws, sheets = (2000, 24) if full else (400, 6)
    yield from _drawn(draws)
    yield from _rendered(sheets)


def _drawn(draws: int) -> Iterator[dict[str, Any]]:
    from scipy.stats import chi2, f, norm
    from scipy.stats import t as student

    rng = np.random.default_rng(5)
    offsets, widths, inside = [], [], np.zeros(3)
    error2, bound2 = 0.0, 0.0
    for k in range(draws):
        marks, least = draw_marks(rng, (8, 12, 20)[k % 3])
        a = aiming(marks)
        d = a.offset_m - OFFSET
        t2 = float(d @ np.linalg.solve(a.offset_covariance_m2, d))
        offsets.append(chi2.isf(f.sf(t2 * (a.freedom - 1) / (2 * a.freedom), 2, a.freedom - 1), 2))
        error2, bound2 = error2 + float(d @ d), bound2 + least
        assert a.footprint is not None
        p = a.footprint
        t = math.log(p.sigma_m / SIGMA_M) / math.sqrt(p.covariance[0, 0])
        widths.append(norm.isf(student.sf(t, p.freedom)) ** 2)
        inside += (
            t2 <= a.offset_factor,
            p.sigma_95_m[0] <= SIGMA_M <= p.sigma_95_m[1],
            a.landing_sigma_95_m[0] <= math.sqrt(np.trace(SCATTER) / 2) <= a.landing_sigma_95_m[1],
        )
    for what, values, size in (("offset", offsets, 2), ("footprint sigma", widths, 1)):
        low, high = (float(chi2.ppf(p, size * draws)) / (size * draws) for p in (0.025, 0.975))
        mean = float(np.mean(values)) / size
        yield _figure(f"aim: normalised error squared of the {what}, {draws} draws", mean, "1",
                      f"{low:.3f} to {high:.3f}", low <= mean <= high)  # fmt: skip
    for what, count in zip(("offset", "footprint sigma", "landing sigma"), inside, strict=True):
        share = float(count) / draws
        yield _figure(f"aim: 95 % regions of the {what} that hold the truth", share, "1", "0.93 to 0.97",
                      0.93 <= share <= 0.97)  # fmt: skip
    ratio = math.sqrt(error2 / bound2)
    yield _figure("aim: rms error of the offset over its Cramer-Rao bound", ratio, "1", "<= 1.10", ratio <= 1.10)


def _rendered(sheets: int) -> Iterator[dict[str, Any]]:
    """Photographs of sheets: marks found, centres and the footprint, dry and damp paper in turn."""
    rng = np.random.default_rng(6)
    found, wanted, off, ratios = 0, 0, [], []
    for k in range(sheets):
        aims, truth, image, sheet = photographed(rng, DAMP if k % 2 else SheetLook())
        seen = look_at_sheet(image, sheet, aims)
        by_name = {a.aim: s for a, s in zip(aims, truth, strict=True)}
        found, wanted = found + len(seen.marks), wanted + len(aims)
        off += [m.centre_m - [by_name[m.aim].x_m, by_name[m.aim].y_m] for m in seen.marks]
        a = aiming(seen.marks, seen.registration_m2)
        assert a.footprint is not None
        ratios.append(a.footprint.sigma_m / SIGMA_M - 1.0)
    share = found / wanted
    yield _figure(f"aim: marks found and given to their aims on {sheets} rendered photographs", share, "1", ">= 0.98",
                  share >= 0.98)  # fmt: skip
    centre = math.sqrt(float(np.mean(np.square(off))))
    # ragged edges of 0.3 mm, corners named to 0.5 px of 0.45 mm
    yield _figure("aim: rms error per axis of a mark's centre in a photograph", 1e3 * centre, "mm", "<= 0.5",
                  centre <= 5e-4)  # fmt: skip
    worst = float(np.abs(ratios).max())
    yield _figure("aim: largest error of the footprint sigma from a photograph", worst, "1", "<= 0.03", worst <= 0.03)


def draw_marks(rng: np.random.Generator, count: int) -> tuple[list[Mark], float]:
    """Return marks of one sheet and the trace of the smallest covariance that an unbiased offset can have, m2."""
    marks, information = [], np.zeros((2, 2))
    for i in range(count):
        # in rendered photographs centres are measured to 0.06 to 0.15 mm
        hold, measured = HOLDS[i % len(HOLDS)], float(rng.choice([1e-4, 4e-4]))
        aim = rng.uniform(0.0, 0.5, 2)
        centre = aim + rng.multivariate_normal(OFFSET, SCATTER) + rng.normal(0.0, measured, 2)
        radius2 = 2 * SIGMA_M**2 * math.log(hold / T0_S) + rng.normal(0.0, RADIUS2_M2)
        radius = math.sqrt(max(radius2, 1e-6)) + rng.normal(0.0, 0.7 * measured)
        own = measured**2 * np.eye(2)
        marks.append(Mark(f"a{i}", aim, centre, own, radius, 0.7 * measured, hold, rng.normal(0.0, 0.02, 2)))
        information += np.linalg.inv(SCATTER + own)
    return marks, float(np.trace(np.linalg.inv(information)))


def photographed(rng: np.random.Generator, look: SheetLook) -> tuple[list[Aimed], list[Scorched], Any, Sheet]:
    """Return aims, true marks, the picture and where the sheet lies by corners named to half a pixel."""
    size, size_px = (0.50, 0.36), (1100, 800)
    view = view_of(size, size_px, rng)
    root: Array = np.linalg.cholesky(SCATTER)
    aims, marks = [], []
    for n in range(12):
        x, y, hold = 0.07 + 0.12 * (n % 4), 0.07 + 0.11 * (n // 4), HOLDS[(n + n // 4) % 4]
        aims.append(Aimed(f"a{n}", x, y, hold))
        centre = np.array([x, y]) + OFFSET + root @ rng.normal(size=2)
        marks.append(Scorched(centre[0], centre[1], math.sqrt(2 * SIGMA_M**2 * math.log(hold / T0_S))))
    image = photograph(marks, view, size_px, rng, look=look, aims_m=[(a.x_m, a.y_m) for a in aims])
    corners = np.array([[0, 0], [size[0], 0], size, [0, size[1]]])
    pixels = Sheet(view, np.zeros((8, 8)), 0.0).to_pixels(corners) + rng.normal(0.0, 0.5, (4, 2))
    return aims, marks, image, sheet_from_corners(corners, pixels, 0.5)


def _figure(figure: str, value: float, unit: str, bound: str, holds: bool) -> dict[str, Any]:
    return {"figure": figure, "value": round(value, 4), "unit": unit, "bound": bound, "holds": bool(holds)}
