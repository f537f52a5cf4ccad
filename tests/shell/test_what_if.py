"""``plan --what-if``: a table that fits a terminal, advice in the order of its worth, and nothing stored."""

from __future__ import annotations

import json
import re
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from swardwright.domain.weed import Register, Weed
from swardwright.planning.sensitivity import Figures, Row, Variant
from swardwright.shell.open_site import opened
from swardwright.shell.what_if import advice, table

NOW = Figures(0.0159, 0.8583, 606.0, 118_000.0, 20, 30, 79, 75.05, -110.0)
SAME = Figures(0, 0, 0, 0, 0, 0, 0, 0, 0)


def row(story: Any, key: str, title: str, same_gas_kg: float = 0.0, **more: float) -> Row:
    change = replace(SAME, **more)
    after = Figures(*(getattr(NOW, name) + getattr(change, name) for name in vars(NOW)))
    return Row(Variant(key, title, story.site, story.register), after, change, same_gas_kg, 0.0)


@pytest.fixture
def rows(story: Any) -> list[Row]:
    return [
        row(story, "place", "half the place error", gas_kg=-0.0005, scorch_m2=-0.0176, cost=-0.0123),
        row(story, "landing", "half the landing error", -0.002, gas_kg=0.001, weeds=3, refused=-3, kills=2.85,
            cost=-4.0),
        row(story, "look", "one more look per stop", time_s=165.0, cost=0.92),
        row(story, "arm", "arm 2 times as fast", gas_kg=-1e-5, time_s=-84.0, cost=-0.48),
    ]  # fmt: skip


def test_the_table_fits_a_terminal_and_says_what_is_more_and_what_less(story: Any, rows: list[Row]) -> None:
    lines = table(story.site, NOW, rows)
    body = lines[2:7]
    assert max(map(len, body)) <= 80
    assert "(invented data)" in lines[0]
    assert re.split(r"\s{2,}", body[1]) == ["as it is", "15.9 g", "8583 cm2", "10.1 min", "20", "30", "75.0"]
    assert re.split(r"\s{2,}", body[2])[1:] == ["-0.5 g", "-176 cm2", "0.0 min", "0", "0", "0.0", "+0.01"]
    assert re.split(r"\s{2,}", body[3])[1:] == ["+1.0 g", "0 cm2", "0.0 min", "0", "-3", "+2.9", "+4.00"]
    assert re.split(r"\s{2,}", body[4])[1:] == ["0.0 g", "0 cm2", "+2.8 min", "0", "0", "0.0", "-0.92"]
    assert not any(text in line for line in body for text in ("-0.0 ", "-0 ", "+0 ", "+0.0 "))
    assert "20 an hour" in lines[-1]


def test_advice_is_in_the_order_of_its_worth_and_says_what_is_not_worth_doing(story: Any, rows: list[Row]) -> None:
    lines = advice(story.site, rows, {"place": " Calibrate the mount."})
    assert lines[1].startswith("  1. Land the flame twice as surely (4.0 mm instead of 8.0 mm)")
    assert "heats 3 more weeds, refused now" in lines[1]
    assert "2.0 g of gas on the weeds that both plans heat" in lines[1]
    assert "but takes 1.0 g of gas more" in lines[1]
    assert lines[2].startswith("  2. Take an arm whose joints turn 2 times as fast: saves 1.4 min.")
    assert lines[3].startswith("  3. Know each plant's place twice as well: saves 0.5 g of gas and 176 cm2 of scorched")
    assert lines[3].endswith("Calibrate the mount.")
    assert lines[4].startswith("  -  Look once more at each stop")
    assert "not worth it at these prices, it takes 2.8 min more" in lines[4]
    assert len(lines) == 5


def test_what_costs_more_than_it_saves_is_told_with_both_sides(story: Any) -> None:
    wide = row(story, "head", "head 0.7 times as wide", gas_kg=0.0007, scorch_m2=-0.2864, time_s=12.0, cost=0.05)
    slow = row(story, "look", "one more look per stop", cost=0.001)
    lines = advice(story.site, [wide, slow], {})
    assert lines[0] == "Nothing here is worth building:"
    assert lines[1].endswith(
        "at the same flow: not worth it at these prices, it saves 2864 cm2 of scorched turf, but takes 0.7 g of gas "
        "and 0.2 min more."
    )
    assert lines[2].endswith("worth nothing, it changes next to nothing here.")


@pytest.fixture
def green(tmp_path: Path, call: Any) -> Path:
    folder = tmp_path / "green"
    assert call("init", folder, "--invented", "--seed", "7").exit_code == 0
    weeds = tuple(
        Weed(f"w{i}", np.array([1.0 + 0.6 * i, 2.0]), 0.008**2 * np.eye(2), 0.02, 0.004, 0.97, (("plantain", 1.0),))
        for i in range(5)
    )
    with opened(folder, write=True) as at, at.store.writer():
        at.store.add_register(Register(1, weeds), made_by="locate", recordings=[])
    return folder


def test_the_command_plans_each_variant_and_stores_nothing(green: Path, call: Any, tree: Any) -> None:
    before = tree(green)
    done = call("plan", green, "--what-if", "--seed", "3", "--json")
    assert done.exit_code == 0, done.stderr
    told = json.loads(done.stdout)
    assert [one["what"] for one in told["rows"]] == ["place", "landing", "both", "look", "head", "arm", "base"]
    assert all(f"({n} of 7; " in done.stderr for n in range(1, 8))  # progress, a line a plan
    for one in told["rows"]:
        for name, value in told["as_it_is"].items():
            assert one["more"][name] == pytest.approx(one[name] - value)
        assert one["worth"] == -one["more"]["cost"]
    assert tree(green) == before
    with opened(green) as at:
        assert at.plan() is None

    # the plan as it is, is the plan that the command would store
    plain = json.loads(call("plan", green, "--seed", "3", "--json").stdout)
    for name, value in (("gas_kg", "gas_kg"), ("time_s", "time_s"), ("stops", "stops"), ("weeds", "weeds")):
        assert told["as_it_is"][name] == plain[value]


def test_it_says_what_the_error_budget_says(green: Path, call: Any) -> None:
    said = call("plan", green, "--what-if").stdout
    assert "What to build first, by its worth to this round:" in said
    assert "of its variance is" in said
    assert "swardwright budget says what that takes." in said
    assert "Looks of one stop share mount, tilt and ground" in said
