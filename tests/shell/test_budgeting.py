"""The command ``budget``, its figure, and the report's section: numbers agree, wrong input is one sentence."""

from __future__ import annotations

import json
import re
import shutil
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from click.testing import CliRunner, Result

import swardwright
from swardwright.domain.errors import InputError, RobotModelError
from swardwright.domain.site import ErrorSources
from swardwright.domain.weed import Register, Weed
from swardwright.shell.budget_chart import chart_svg, no_budget, told
from swardwright.shell.command_line import main
from swardwright.shell.report import write_report
from swardwright.shell.site_budget import SiteBudget, site_budget
from swardwright.shell.site_file import load_site

ASSETS = Path(swardwright.__file__).parent / "simulation" / "assets"


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("budget") / "green"
    path.mkdir()
    for name in ("site.toml", "robot.urdf", "camera.yaml"):
        shutil.copy(ASSETS / name, path / name)
    return path


@pytest.fixture(scope="module")
def whole(folder: Path) -> SiteBudget:
    return site_budget(load_site(folder))


def call(*arguments: str) -> Result:
    return CliRunner().invoke(main, ["budget", *arguments])


def test_the_command_says_where_the_error_comes_from_and_draws_it(folder: Path, whole: SiteBudget) -> None:
    from matplotlib.image import imread

    from swardwright.shell.report_map import COLOURS

    result = call(str(folder), "--json")
    assert result.exit_code == 0, result.output
    data = json.loads(result.stdout)
    assert data["landing"]["sigma_m"] == pytest.approx(whole.landing.sigma_m)
    assert sum(s["share"] for s in data["landing"]["sources"]) == pytest.approx(1.0)
    assert next(f["saves_kg"] for f in data["fixes"] if f["step"] == "halve") > 0.0
    assert data["looks"][-1]["looks"] is None
    assert data["looks"][-1]["sigma_m"] <= data["looks"][0]["sigma_m"]
    assert data["register"] is None
    assert any("no register yet" in note for note in data["notes"])
    picture = imread(data["figure"])
    assert Path(data["figure"]) == folder / "reports" / "error-budget.png"
    wanted = np.array([int(COLOURS[0][i : i + 2], 16) for i in (1, 3, 5)]) / 255
    # the largest source fills a good part of its bars
    assert (np.abs(picture[..., :3] - wanted).max(axis=-1) < 0.02).mean() > 0.01
    again = call(str(folder), "--at", "0.8 m, 0.1 m")
    assert again.exit_code == 0
    assert "the one before was replaced" in again.output
    assert "(invented data)" in again.output
    assert "What to fix first:" in again.output
    assert not list((folder / "reports").glob(".*"))


def test_one_place_and_one_kind(folder: Path, tmp_path: Path) -> None:
    out = tmp_path / "b.svg"
    place = ("--at", "0.8 m, 20 cm", "--looks", "2", "--kind", "clover", "--out", str(out))
    data = json.loads(call(str(folder), *place, "--json").stdout)
    assert data["at_m"] == pytest.approx([0.8, 0.2])
    assert data["landing"]["looks"] == 2
    assert data["kinds"] == {"clover": 1.0}
    assert out.stat().st_size > 1000
    assert "already" in call(str(folder), *place).stderr
    assert call(str(folder), *place, "--force").exit_code == 0


@pytest.mark.parametrize(
    ("arguments", "message", "remedy"),
    [
        (("--at", "5 m, 0 m"), "out of the arm's reach", "head can work on"),
        (("--at", "0.8 m"), "two lengths", "a comma between"),
        (("--at", "0.8, 0.1"), "two lengths", "with units"),
        (("--at", "nan m, 0 m"), "two", "write"),
        (("--kind", "moss"), "treats no such kind", "leave --kind out"),
        (("--kind", "daisy"), "treats no such kind", "leave --kind out"),
        (("--out", "figure.exe"), "known ending", "name the file"),
    ],
)
def test_wrong_input_is_one_sentence_and_a_remedy(
    folder: Path, arguments: tuple[str, ...], message: str, remedy: str
) -> None:
    result = call(str(folder), *arguments)
    assert result.exit_code == 2
    assert message in result.stderr
    assert remedy in result.stderr
    assert "Traceback" not in result.output


def test_a_place_that_cannot_be_written_to_is_named(folder: Path) -> None:
    result = call(str(folder), "--at", "0.8 m, 0.1 m", "--out", str(folder / "site.toml" / "b.png"))
    assert result.exit_code == 2
    assert "cannot be written" in result.stderr
    assert "may write to" in result.stderr


def test_a_site_without_errors_says_so(folder: Path) -> None:
    site = load_site(folder)
    rig = replace(
        site.rig, errors=ErrorSources(*[0.0] * 13), head=replace(site.rig.head, landing_sigma_m=0.0),
        camera=replace(site.rig.camera, covariance=np.zeros_like(site.rig.camera.covariance)),
    )  # fmt: skip
    with pytest.raises(InputError, match="every error source is zero") as caught:
        site_budget(replace(site, rig=rig), rows=False)
    assert "standard deviations" in str(caught.value.remedy)


def test_a_stick_of_an_arm_has_no_budget_and_says_why(story: Any) -> None:
    with pytest.raises(RobotModelError, match="five moving joints"):
        site_budget(story.site)


def weed(name: str, kind: str, sigma_m: float = 0.004) -> Weed:
    return Weed(name, np.array([1.0, 1.0]), sigma_m**2 * np.eye(2), 0.02, 0.005, 0.9, ((kind, 1.0),),
                ("s1", "s2", "s3"))  # fmt: skip


def test_the_register_weights_the_kinds_and_stands_beside_the_survey(folder: Path, whole: SiteBudget) -> None:
    site = load_site(folder)
    register = Register(1, (weed("a", "clover"), weed("b", "clover"), weed("c", "daisy")))
    result = site_budget(site, register=register, rows=False)
    assert dict(result.kinds) == pytest.approx({"dandelion": 0.0, "plantain": 0.0, "clover": 1.0, "woodrush": 0.0})
    # clover needs the least heat of the kinds to treat
    assert result.now.gas_kg < whole.now.gas_kg
    assert result.register is not None
    assert result.register.looks == 3
    assert result.register.register_m == pytest.approx(0.004)
    assert result.register.predicted_m == pytest.approx(result.survey.sigma_m)
    assert dict(whole.kinds) == pytest.approx(dict.fromkeys(("dandelion", "plantain", "clover", "woodrush"), 0.25))


def test_the_prices_are_those_of_the_dose_model(folder: Path, whole: SiteBudget) -> None:
    """The plan's own dwell of a weed whose aim has the stop's covariance costs about as much as the budget says.

    From look to landing the budget adds what the arm's joints add while heating, and takes off what height and tilt do
    to both alike (locating/landing.py): 2 % of gas at most here, either way.
    """
    from swardwright.domain.dwell import dwell_for

    site = load_site(folder)
    gas = [dwell_for(site.rig.head, k, whole.stop.covariance_m2, site.limits).gas_kg for k in site.kinds if k.treat]
    assert whole.now.gas_kg == pytest.approx(float(np.mean(gas)), rel=0.02)
    stop, landing = ({p.source: float(np.trace(p.covariance_m2)) for p in b.parts} for b in (whole.stop, whole.landing))
    assert landing["joints"] > stop["joints"]
    assert landing["ground"] < stop["ground"]
    assert landing["tilt"] < stop["tilt"]


def test_the_chart_shows_every_share_and_nothing_from_outside(whole: SiteBudget) -> None:
    svg = chart_svg(whole)
    widths = [float(w) for w in re.findall(r'<rect [^>]*width="([\d.]+)"', svg)]
    # three bars of the whole width; slivers thinner than 0.3 are left out
    assert sum(widths) == pytest.approx(3 * 450.0, abs=3.0)
    assert f"landing of heat: {1e3 * whole.landing.sigma_m:.1f} mm" in svg
    assert "http" not in svg.replace("http://www.w3.org/2000/svg", "")
    words = told(whole)
    assert len(words.steps) == 3
    assert all("per weed" in step for step in words.steps)


def test_the_report_has_the_section_and_names_cannot_become_markup(
    story: Any, whole: SiteBudget, tmp_path: Path
) -> None:
    bad = "<script>alert(1)</script>"
    part = replace(whole.landing.parts[0], source=bad)
    odd = replace(whole, landing=replace(whole.landing, parts=(part, *whole.landing.parts[1:])))
    for budget in (told(whole), told(odd)):
        path = write_report(tmp_path, site=story.site, register=story.register, budget=budget)
        text = path.read_text(encoding="utf-8")
        assert "Where the error comes from" in text
        assert "<script" not in text
    why = no_budget(RobotModelError("the arm is too short", remedy="name a longer one"))
    path = write_report(tmp_path, site=story.site, register=story.register, budget=why)
    text = path.read_text(encoding="utf-8")
    assert "There is no error budget: the arm is too short." in text
    assert "name a longer one" in text
    assert 'class="chart budget"' not in text
