"""What ``plan`` and the report say of supplies."""

from __future__ import annotations

import json
from dataclasses import replace
from datetime import UTC, datetime
from typing import Any

from swardwright.domain.event import RoundRecord
from swardwright.domain.plan import Plan, Swap
from swardwright.shell.codec import from_text, to_text
from swardwright.shell.planning_round import _planned, noon_s
from swardwright.shell.report_rows import MAX_LISTED, change_lines, supply_rows

SWAPS = (Swap("gas", ""), Swap("battery", "s1"), Swap("gas", "s1"), Swap("gas", "s2", during=True), Swap("time", "s3"))


def short(plan: Plan) -> Plan:
    supplies = replace(plan.supplies, swaps=SWAPS, battery_swaps=1, cylinders=4, notes=("gas limits: bring more",))
    return replace(plan, supplies=supplies)


def test_changes_are_said_where_they_fall(story: Any) -> None:
    assert change_lines(short(story.plan).supplies) == [
        "Change the gas cylinder before the first stop, after stop s1, within stop s2.",
        "Change the battery after stop s1.",
        "End the day after stop s3.",
    ]
    many = replace(story.plan.supplies, swaps=tuple(Swap("gas", f"s{n}") for n in range(MAX_LISTED + 3)))
    assert change_lines(many)[0].endswith("and 3 times more.")
    assert change_lines(story.plan.supplies) == []


def test_plan_and_report_say_what_to_bring_and_what_limits(story: Any) -> None:
    said = _planned(short(story.plan))
    text = "\n".join(said.lines)
    assert "4 cylinders" in text
    assert "2 batteries" in text
    assert "Change the battery after stop s1." in text
    assert "gas limits: bring more" in text
    assert said.data["days"] == 2 or not story.plan.supplies.loads
    assert said.data["swaps"][0] == {"what": "gas", "after_stop": None, "during": False}
    rows = supply_rows(story.site, short(story.plan), None)
    assert ("working days", "2", "–") in rows
    assert ("to know", "gas limits: bring more", "–") in rows


def test_a_plan_stored_before_there_were_changes_reads_back(story: Any) -> None:
    """Left out of the stored text: what an earlier version did not write."""
    assert from_text(to_text(short(story.plan)), Plan) == short(story.plan)
    text = to_text(story.plan)
    for part in ('"loads":[],', '"swaps":[],', '"notes":[],', '"day_s":null,'):
        head, _, tail = text.partition('"supplies":{')
        text = head + '"supplies":{' + tail.replace(part, "", 1)
    assert '"swaps"' not in text
    assert from_text(text, Plan) == story.plan


def test_the_day_s_light_is_that_of_the_day_named(story: Any) -> None:
    day = datetime(2026, 6, 21)
    noon = datetime(2026, 6, 21, 12, tzinfo=UTC).timestamp()
    assert noon_s(replace(story.site, invented=False), day) == noon_s(replace(story.site, invented=True), day) == noon
    assert noon_s(replace(story.site, invented=True), None) is None
    now = noon_s(replace(story.site, invented=False), None)
    assert now is not None
    assert abs(now - datetime.now(UTC).timestamp()) <= 86_400.0


def test_a_plan_and_a_record_from_before_rings_are_still_read(story: Any) -> None:
    plan, record = json.loads(to_text(story.plan)), json.loads(to_text(story.record))
    for stop in plan["stops"]:
        for hold in stop["holds"]:
            for name in ("offsets_m", "ring_rad", "ring_s"):
                del hold[name]
    for item in record["treated"]:
        del item["points"], item["planned"]
    assert from_text(json.dumps(plan), Plan) == story.plan
    assert from_text(json.dumps(record), RoundRecord) == story.record
