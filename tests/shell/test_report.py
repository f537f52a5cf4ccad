from __future__ import annotations

import csv
import io
import re
from dataclasses import replace
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from swardwright.domain.errors import InputError
from swardwright.shell import report_rows
from swardwright.shell.cautions import CAUTIONS
from swardwright.shell.report import write_report
from swardwright.shell.report_map import plan_view


class Page(HTMLParser):
    """Counts what a reader sees."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.text = ""
        self.feed(text)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))

    def handle_data(self, data: str) -> None:
        self.text += data

    def of_class(self, name: str) -> int:
        return sum(name in (attrs.get("class") or "").split() for _, attrs in self.tags)


def whole(story: Any, **changes: Any) -> dict[str, Any]:
    given = {
        "site": story.site,
        "register": story.register,
        "plan": story.plan,
        "permit": story.permit,
        "record": story.record,
        "journal": story.journal,
        "outcome": story.outcome,
    }
    return {**given, **changes}


@pytest.fixture(scope="module")
def page(story: Any, tmp_path_factory: pytest.TempPathFactory) -> Page:
    path = write_report(tmp_path_factory.mktemp("reports"), **whole(story))
    return Page(path.read_text(encoding="utf-8"))


def test_every_weed_stop_and_refusal_is_there(page: Page, story: Any) -> None:
    assert page.of_class("weed") == len(story.register.weeds)
    assert sum(tag == "ellipse" for tag, _ in page.tags) == len(story.register.weeds) + 1  # and one in the legend
    for item in (*story.plan.refused, *story.record.not_treated):
        assert item.reason in page.text
    for stop in range(1, len(story.plan.stops) + 1):
        assert f"Stop {stop}:" in page.text


def test_numbers_are_the_outcomes(page: Page, story: Any) -> None:
    o = story.outcome
    text = page.text.replace("\u00a0", " ")
    assert f"{o.treated_dead} of {o.treated} treated weeds dead" in text
    assert f"{100 * o.kill_low:.0f} % to {100 * o.kill_high:.0f} %" in text
    assert f"{o.controls_dead} of {o.controls} controls died untreated" in text
    assert f"{1e4 * story.record.scorch_m2 / len(story.record.treated):.1f} cm²" in text


def test_nothing_is_asked_of_the_outside(page: Page) -> None:
    for tag, attrs in page.tags:
        assert tag not in ("script", "link", "iframe", "img", "object", "embed")
        for name, value in attrs.items():
            if name in ("src", "href", "action", "srcset", "xlink:href"):
                assert (value or "").startswith("#"), (tag, name, value)
    styles = " ".join(attrs.get("style") or "" for _, attrs in page.tags) + page.text
    assert "@import" not in styles
    assert re.findall(r"url\((?!#)", styles) == []


def test_cautions_stand_before_the_numbers_of_anything_that_leads_to_fire(story: Any, tmp_path: Path) -> None:
    for given in (whole(story), whole(story, permit=None, record=None, journal=(), outcome=None)):
        text = write_report(tmp_path, **given).read_text(encoding="utf-8")
        assert all(caution in text for caution in CAUTIONS)
        assert text.index(CAUTIONS[-1]) < text.index('class="figures"')


def test_a_register_alone_has_a_report_and_no_fire(story: Any, tmp_path: Path) -> None:
    path = write_report(tmp_path, site=story.site, register=story.register)
    text = path.read_text(encoding="utf-8")
    assert path.name == "register-1.html"
    assert CAUTIONS[0] not in text
    assert "Kill rate" not in text
    assert {p.suffix for p in tmp_path.iterdir()} == {".html", ".csv", ".geojson"}


def test_invented_data_is_marked_and_real_data_is_not(story: Any, tmp_path: Path) -> None:
    assert "Invented data" in write_report(tmp_path, **whole(story)).read_text(encoding="utf-8")
    real = replace(story.site, invented=False)
    assert "Invented data" not in write_report(tmp_path, **whole(story, site=real)).read_text(encoding="utf-8")


def test_names_from_the_site_file_cannot_become_markup(story: Any, tmp_path: Path) -> None:
    bad = '<script>alert("x")</script>'
    keep = replace(story.site.keep_outs[0], name=bad)
    kind = replace(story.site.kinds[0], name=bad)
    weed = replace(story.register.weeds[0], kinds=((bad, 1.0),), id=bad)
    site = replace(story.site, name=bad, keep_outs=(keep,), kinds=(kind, *story.site.kinds[1:]))
    given = whole(story, site=site, register=replace(story.register, weeds=(weed,)))
    assert "<script" not in write_report(tmp_path, **given).read_text(encoding="utf-8")


@pytest.mark.parametrize("name", ["../up", "a/b", "", ".hidden", "x" * 100])
def test_a_plan_id_cannot_leave_the_folder(story: Any, tmp_path: Path, name: str) -> None:
    with pytest.raises(InputError, match="file name"):
        write_report(tmp_path / "reports", **whole(story, plan=replace(story.plan, id=name)))
    assert not (tmp_path / "reports").exists()


def test_truth_columns_only_where_truth_is_known(page: Page, story: Any, tmp_path: Path) -> None:
    assert "true kind" not in page.text
    weed = story.register.weeds[0].id
    truth = report_rows.Truth({weed: "dandelion"}, {weed: 0.0071}, (("recall", "0.97"),))
    text = write_report(tmp_path, **whole(story, truth=truth)).read_text(encoding="utf-8")
    assert "true kind" in text
    assert "recall 0.97" in text
    rows = report_rows.weed_rows(story.site, story.register, truth=truth)
    assert rows[0].true_error_m == 0.0071
    assert rows[1].true_kind == "no plant"


def test_csv_is_si_and_never_a_formula(story: Any) -> None:
    weed = replace(story.register.weeds[0], id="=1+1", mean_m=(-1.25, 2.0))
    rows = report_rows.weed_rows(story.site, replace(story.register, weeds=(weed,)))
    (line,) = csv.DictReader(io.StringIO(report_rows.weed_csv(rows)))
    assert line["weed"] == "'=1+1"
    assert float(line["x_m"]) == -1.25
    assert line["hold_s"] == ""


def test_a_ring_is_counted_and_one_cut_short_is_told(story: Any, tmp_path: Path) -> None:
    around = ((0.03, 0.0), (-0.015, 0.026), (-0.015, -0.026))
    stop, *others = story.plan.stops
    ring = replace(stop.holds[0], offsets_m=around, hold_s=0.8)
    plan = replace(story.plan, stops=(replace(stop, holds=(ring, *stop.holds[1:])), *others))
    rows = {row.weed: row for row in report_rows.weed_rows(story.site, story.register, plan)}
    assert (rows[ring.weed_id].points, rows[ring.weed_id].hold_s) == ("3", pytest.approx(2.4))
    assert report_rows.ring_lines(plan) == ["1 weed with several holds, 3 in all; one for each of the others."]
    assert report_rows.ring_lines(story.plan) == []

    given = next(item for item in story.record.treated if item.weed_id == ring.weed_id)
    cut = replace(given, points=2, planned=3, hold_s=1.6, kill=0.41)
    record = replace(story.record, treated=tuple(cut if t is given else t for t in story.record.treated))
    text = write_report(tmp_path, **whole(story, plan=plan, record=record)).read_text(encoding="utf-8")
    assert "cut short: 2 of 3 holds given, expected kill 0.41" in text
    rows = {row.weed: row for row in report_rows.weed_rows(story.site, story.register, plan, record)}
    assert (rows[ring.weed_id].points, rows[ring.weed_id].hold_s) == ("2 of 3", 1.6)
    assert ("weeds with several holds", "1", "1, 1 cut short") in report_rows.supply_rows(story.site, plan, record)


def test_map_puts_north_up_and_states_the_enlargement(story: Any) -> None:
    place = {"south": (6.0, 1.0), "north": (6.0, 7.0), "east": (11.0, 1.0)}
    like = story.register.weeds[0]
    sigma_m = 0.01
    weeds = tuple(
        replace(like, id=n, mean_m=np.array(p), covariance_m2=sigma_m**2 * np.eye(2)) for n, p in place.items()
    )
    drawing = plan_view(story.site, replace(story.register, weeds=weeds))
    found = dict(
        (m[0], (float(m[1]), float(m[2])))
        for m in re.findall(r'data-weed="(\w+)" transform="translate\(([\d.]+) ([\d.]+)\)', drawing.svg)
    )
    assert found["south"][1] - found["north"][1] == pytest.approx(600)
    assert found["east"][0] - found["south"][0] == pytest.approx(500)
    # chi-square with two degrees of freedom, 95 %: 5.991 (any statistics table)
    (rx,) = {float(r) for r in re.findall(r'rx="([\d.]+)" ry="[\d.]+" transform', drawing.svg)}
    assert rx == pytest.approx(100 * drawing.ellipse_factor * sigma_m * 5.991**0.5, abs=0.01)
    assert any(f"drawn {drawing.ellipse_factor} times larger" in text for _, text in drawing.legend)
