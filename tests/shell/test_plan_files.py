"""The files of a plan: what they say, that they agree with the plan, and that nothing is left half-written."""

from __future__ import annotations

import csv
import json
import re
import shutil
from collections.abc import Callable
from dataclasses import replace
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from click.testing import Result

from swardwright.domain.errors import InputError, StaleError
from swardwright.domain.plan import Hold, Load, Plan, Refused, Swap
from swardwright.domain.site import Rig, Site
from swardwright.domain.weed import Register
from swardwright.planning import posture_over
from swardwright.planning.pace import pace
from swardwright.planning.reach import working_point_m
from swardwright.planning.supplies import add_up, usable_energy_j, usable_gas_kg
from swardwright.shell import plan_timeline_figure
from swardwright.shell.open_site import opened
from swardwright.shell.plan_files import NAMES, write_plan_files
from swardwright.shell.plan_geojson import plan_collection
from swardwright.shell.plan_tables import hold_table, left_table, supply_table
from swardwright.shell.plan_timeline_figure import _falling, _shares, battery_use, gas_use
from swardwright.shell.plan_view_figure import NOTE, _apart
from swardwright.shell.plan_work import arm_work

Call = Callable[..., Result]


@pytest.fixture(scope="module")
def planned(planned_site: Path) -> tuple[Site, Register, Plan]:
    with opened(planned_site) as at:
        plan, register = at.plan(), at.register()
        assert plan is not None
        assert register is not None
        return at.site, register, plan


@pytest.fixture
def copy(planned_site: Path, tmp_path: Path) -> Path:
    """The planned site again, without the plan's files."""
    folder = tmp_path / "green"
    shutil.copytree(planned_site, folder, ignore=shutil.ignore_patterns("reports"))
    return folder


def rows(text: str) -> list[dict[str, str]]:
    return list(csv.DictReader(text.splitlines()))


def ringed(site: Site, plan: Plan) -> Plan:
    """The plan with its first hold made one of three points about the aim, with the postures, times and load of it."""
    stop, load = plan.stops[0], plan.supplies.loads[0]
    hold, offsets = stop.holds[0], ((0.02, 0.0), (-0.01, 0.017), (-0.01, -0.017))
    near = hold.joints_rad
    ring: list[tuple[float, ...]] = []
    for dx, dy in offsets:
        posture = posture_over(site.rig, (hold.aim_base_m[0] + dx, hold.aim_base_m[1] + dy), near)
        assert posture is not None
        ring.append(tuple(float(q) for q in posture))
    way = [np.array(q) for q in (hold.joints_rad, *ring, hold.joints_rad)]
    ring_s = sum(pace(site.rig, np.stack([a, b])).time_s for a, b in pairwise(way))
    several = replace(hold, offsets_m=offsets, ring_rad=tuple(ring), ring_s=ring_s)
    more_s = 2 * (hold.hold_s + 2 * site.rig.head.valve_delay_s)
    first = replace(load, arm_s=load.arm_s + ring_s, heat_s=load.heat_s + more_s)
    return replace(
        plan, stops=(replace(stop, holds=(several, *stop.holds[1:])), *plan.stops[1:]),
        supplies=replace(plan.supplies, loads=(first, *plan.supplies.loads[1:])),
    )  # fmt: skip


def test_the_command_writes_all_and_says_so(copy: Path, call: Call, tmp_path: Path) -> None:
    done = call("plan-files", copy, "--json")
    assert done.exit_code == 0, done.stderr
    said = json.loads(done.stdout)
    assert said["plan"] == "round-1"
    assert [Path(p) for p in said["files"]] == [copy / "reports" / "round-1" / name for name in NAMES]
    assert {p.name for p in (copy / "reports" / "round-1").iterdir()} == set(NAMES)
    assert {p.name for p in (copy / "reports").iterdir()} == {"round-1"}
    own = copy / "reports" / "round-1" / "my notes.txt"
    own.write_text("stay")
    text = call("plan-files", copy, "--plan", "round-1").stdout
    assert NOTE in text
    assert own.read_text() == "stay"
    assert call("plan-files", copy, "--out", tmp_path / "a" / "b").exit_code == 0
    assert {p.name for p in (tmp_path / "a" / "b").iterdir()} == set(NAMES)
    for name in NAMES[:5]:  # the same plan gives the same text
        assert (tmp_path / "a" / "b" / name).read_bytes() == (copy / "reports" / "round-1" / name).read_bytes()


def test_an_older_plan_is_said_to_be_one(copy: Path, call: Call) -> None:
    assert call("plan", copy).exit_code == 0
    said = call("plan-files", copy, "--plan", "round-1")
    assert said.exit_code == 0, said.stderr
    assert "round-1 is not the newest plan: that is round-2." in said.stdout
    assert "newest" not in call("plan-files", copy).stdout


def test_bad_input(own_site: Path, copy: Path, refused: Callable[..., str], tmp_path: Path) -> None:
    assert "there is no plan yet" in refused(own_site, "plan-files", own_site)
    assert "no such plan" in refused(copy, "plan-files", copy, "--plan", "round-9")
    (tmp_path / "full").mkdir()
    (tmp_path / "full" / "mine.txt").write_text("x")
    assert "there are files in that folder" in refused(copy, "plan-files", copy, "--out", tmp_path / "full")
    assert "cannot be written" in refused(copy, "plan-files", copy, "--out", tmp_path / "full" / "mine.txt" / "deeper")
    text = (copy / "site.toml").read_text()
    (copy / "site.toml").write_text(text.replace('kill_target = "95 %"', 'kill_target = "81 %"'))
    assert (copy / "site.toml").read_text() != text
    assert "is stale" in refused(copy, "plan-files", copy)


def test_a_folder_that_cannot_be_written_to_leaves_the_plan(copy: Path, call: Call) -> None:
    (copy / "reports").write_text("a file in its place")
    done = call("plan", copy, "--files")
    assert done.exit_code == 2
    assert "the plan's files cannot be written" in done.stderr
    assert "plan-files" in done.stderr  # how to write them elsewhere
    with opened(copy) as at:
        assert [p.id for p in at.store.plans()] == ["round-1", "round-2"]


def test_nothing_is_half_written(planned: Any, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    site, register, plan = planned
    folder = tmp_path / "reports" / "round-1"
    folder.mkdir(parents=True)
    (folder / "stops.csv").write_text("the one before")

    def fails(*_: Any) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(plan_timeline_figure, "timeline_figure", fails)
    with pytest.raises(InputError, match="No space left"):
        write_plan_files(folder, site, register, plan)
    assert [p.name for p in folder.parent.iterdir()] == ["round-1"]
    assert [(p.name, p.read_text()) for p in folder.iterdir()] == [("stops.csv", "the one before")]


def test_a_plan_of_an_earlier_version_is_not_guessed_at(planned: Any, tmp_path: Path) -> None:
    site, register, plan = planned
    old = replace(plan, supplies=replace(plan.supplies, loads=()))
    with pytest.raises(StaleError, match="earlier version"):
        write_plan_files(tmp_path / "x", site, register, old)
    assert list(tmp_path.iterdir()) == []


def test_tables_add_up_to_the_plan(planned: Any, planned_site: Path) -> None:
    _, register, plan = planned
    folder = planned_site / "reports" / "round-1"
    stops, holds, left, all_ = (rows((folder / n).read_text()) for n in NAMES[1:5])
    assert [r["stop"] for r in stops] == [s.id for s in plan.stops]
    for key, total in (("drive_m", plan.supplies.drive_m), ("energy_j", plan.supplies.energy_j),
                       ("gas_hold_kg", plan.supplies.gas_hold_kg), ("weeds", len(holds))):  # fmt: skip
        assert sum(float(r[key]) for r in stops) == pytest.approx(total, rel=1e-6)
    assert float(stops[-1]["done_s"]) == pytest.approx(plan.supplies.time_s, rel=1e-6)
    for r in stops:
        turned = np.radians(90.0 - float(r["heading_deg_from_north"])) - float(r["yaw_rad"])
        assert abs(np.sin(0.5 * turned)) < 1e-6
    begins = [float(r["begin_s"]) for r in holds]
    assert begins == sorted(begins)
    assert sum(float(r["gas_kg"]) for r in holds) == pytest.approx(plan.supplies.gas_hold_kg, rel=1e-6)
    whole = {w.id for w in register.weeds}
    assert sorted([r["weed"] for r in holds] + [r["item"] for r in left]) == sorted(whole)
    assert {r["item"]: r["reason"] for r in left if r["what"] == "refused"} == {r.item: r.reason for r in plan.refused}
    assert {r["what"]: r["value"] for r in all_}["time_s"] == f"{plan.supplies.time_s:.9g}"


def test_a_ring_is_several_points_in_every_file(planned: Any) -> None:
    site, register, plan = planned
    plan = ringed(site, plan)
    hold = plan.stops[0].holds[0]
    work = arm_work(plan, site.rig)
    table = [r for r in rows(hold_table(plan, register, work, site.rig.arm.moving)) if r["weed"] == hold.weed_id]
    assert [(r["point"], r["points"]) for r in table] == [("1", "3"), ("2", "3"), ("3", "3")]
    assert len({r["begin_s"] for r in table}) == 3
    base = plan.stops[0].base
    for r, (dx, dy) in zip(table, hold.offsets_m, strict=True):
        ahead, left = hold.aim_base_m[0] + dx, hold.aim_base_m[1] + dy
        c, s = np.cos(base.yaw_rad), np.sin(base.yaw_rad)
        assert float(r["x_m"]) == pytest.approx(base.x_m + c * ahead - s * left, abs=1e-7)
        assert float(r["y_m"]) == pytest.approx(base.y_m + s * ahead + c * left, abs=1e-7)
        posture = np.array([float(r[f"{name}_rad"]) for name in site.rig.arm.joint_names])
        assert working_point_m(site.rig, posture)[:2] == pytest.approx((ahead, left), abs=5e-4)
    (feature,) = [f for f in plan_collection(site, register, plan)["features"] if f["id"] == f"hold {hold.weed_id}"]
    assert feature["geometry"]["type"] == "MultiPoint"
    assert len(feature["geometry"]["coordinates"]) == feature["properties"]["points"] == 3
    assert feature["properties"]["heat_s"] == pytest.approx(3 * hold.hold_s, abs=0.01)
    # and the arm stands over each of them, its times still those of the plan
    stands = [d for d in work[0].doings if d.what == "hold" and d.weed_id == hold.weed_id]
    assert [d.point for d in stands] == [1, 2, 3]
    load = plan.supplies.loads[0]
    assert work[0].time_s[-1] == pytest.approx(load.arm_s + load.heat_s, abs=1e-6)
    for d, posture in zip(stands, hold.ring_rad, strict=True):
        at = (work[0].time_s >= d.begin_s - load.drive_s - 1e-9) & (work[0].time_s <= d.end_s - load.drive_s + 1e-9)
        assert at.sum() >= 2
        assert np.abs(work[0].joints_rad[at] - posture).max() < 1e-9


def test_doings_have_no_gaps(planned: Any) -> None:
    site, _, plan = planned
    for one, stop in zip(arm_work(plan, site.rig), plan.stops, strict=True):
        assert all(b.begin_s == pytest.approx(a.end_s, abs=1e-9) for a, b in pairwise(one.doings))
        assert sum(d.what == "picture" for d in one.doings) == len(stop.looks_rad)
        assert [d.what for d in one.doings].count("light") == 1


def test_what_has_no_place_is_told_without_one(planned: Any) -> None:
    site, register, plan = planned
    more = replace(plan, refused=(*plan.refused, Refused("=cmd()", "nobody knows"), Refused(site.zones[0].name, "far")))
    last = plan_collection(site, register, more)["features"][-2:]
    assert [f["geometry"] and f["geometry"]["type"] for f in last] == [None, "Point"]
    table = rows(left_table(more, register))
    assert table[-2]["item"] == "'=cmd()"  # no spreadsheet runs it
    assert table[-2]["x_m"] == ""


def poor(site: Site, plan: Plan, share: float) -> tuple[Site, Plan]:
    """The same plan with cylinder and battery that last for a share of the whole."""
    rig: Rig = site.rig
    lasts = replace(
        rig, gas=replace(rig.gas, cylinder_kg=share * plan.supplies.gas_kg, fill=0.5, purge_kg=0.0),
        power=replace(rig.power, battery_j=share * plan.supplies.energy_j),
    )  # fmt: skip
    site = replace(site, rig=lasts)
    supplies = add_up(site, plan.stops, plan.supplies.loads, 0.6 * plan.supplies.time_s)
    return site, replace(plan, supplies=supplies)


@pytest.mark.parametrize("share", [3.0, 0.9, 0.25, 0.07])
def test_levels_fall_by_what_is_used_and_rise_at_every_change(planned: Any, share: float) -> None:
    """Level at the end = first + changes x full - what was left at each change - all that was used; never below 0."""
    site, plan = poor(planned[0], planned[2], share)
    work = arm_work(plan, site.rig)
    first, full, burns = gas_use(site, plan, work)
    whole, drains = battery_use(site, plan)
    assert (first, full, whole) == (usable_gas_kg(site, 0.5), usable_gas_kg(site), usable_energy_j(site))
    for what, start, top, uses, total in (
        ("gas", first, full, burns, sum(x.gas_kg for x in plan.supplies.loads)),
        ("battery", whole, whole, drains, plan.supplies.energy_j),
    ):
        assert sum(amount for mine in uses for *_, amount in mine) == pytest.approx(total, rel=1e-9)
        level = _falling(plan, what, start, top, uses)
        times, values = np.array(level).T
        changes = [s for s in plan.supplies.swaps if s.what == what]
        early = sum(not s.stop_id for s in changes)
        rises = int((np.diff(values) > 1e-12).sum())
        assert rises == len(changes) - early
        assert (np.diff(times) >= -1e-9).all()
        assert values.min() >= -1e-9 * top
        falls = -np.diff(values)[np.diff(values) < 0].sum()
        assert falls == pytest.approx(total, rel=1e-6)
    if share < 1.0:
        assert {s.what for s in plan.supplies.swaps} >= {"gas", "battery", "time"}


def test_pictures_show_what_they_are_given(planned: Any, planned_site: Path, tmp_path: Path) -> None:
    """Marks of heat only where weeds are heated; the marks of changes only where something is changed."""
    from matplotlib.image import imread

    site, register, plan = planned

    def count(path: Path, colour: str, below: float = 0.0) -> int:
        wanted = np.array([int(colour[i : i + 2], 16) for i in (1, 3, 5)]) / 255
        image = imread(path)[..., :3]
        return int((np.abs(image[int(below * len(image)) :] - wanted).max(axis=-1) < 0.02).sum())

    folder = planned_site / "reports" / "round-1"
    site2, plan2 = poor(site, plan, 0.25)
    write_plan_files(tmp_path / "poor", site2, register, plan2)
    bare = replace(plan, stops=(), route_m=(), refused=(), controls=(), supplies=replace(plan.supplies, loads=()))
    write_plan_files(tmp_path / "bare", site, Register(1, ()), bare)
    assert count(folder / "plan-view.png", "#d55e00") > 300
    assert count(tmp_path / "bare" / "plan-view.png", "#d55e00") == 0
    triangles = count(tmp_path / "poor" / "timeline.png", "#24241f", 0.52)
    assert triangles > count(folder / "timeline.png", "#24241f", 0.52) + 300
    assert count(folder / "reach-map.png", "#d9d5c9") > 5000  # the base
    for name in ("plan-view.png", "reach-map.png", "timeline.png"):
        assert imread(folder / name).shape[1] >= 1200


def test_numbers_of_stops_are_pushed_apart_and_no_farther_than_needed() -> None:
    far = np.array([[0.0, 0.0], [5.0, 0.0]])
    assert (_apart(far, 1.0) == far).all()
    rng = np.random.default_rng(2)
    close = np.concatenate([far, rng.normal([2.0, 2.0], 0.05, (3, 2)), [[2.0, 2.0], [2.0, 2.0]]])
    out = _apart(close, 0.5)
    gaps = np.hypot(*(out[:, None] - out[None]).T)[np.triu_indices(len(out), 1)]
    assert gaps.min() > 0.3
    assert np.hypot(*(out - close).T).max() < 1.0
    assert (_apart(np.empty((0, 2)), 1.0) == np.empty((0, 2))).all()


def test_shares_of_the_time_hold_all_of_it() -> None:
    """Two lanes that fill the time between them: their shares add up to 1 everywhere; a third of it is a third."""
    marks = np.sort(np.concatenate([[0.0, 100.0], np.random.default_rng(4).uniform(0.0, 100.0, 399)]))
    spans = list(pairwise(float(m) for m in marks))
    one, two = _shares(spans[::2], 100.0), _shares(spans[1::2], 100.0)
    assert one + two == pytest.approx(np.ones(len(one)))
    assert one.mean() * 100.0 == pytest.approx(sum(b - a for a, b in spans[::2]))
    assert _shares([], 100.0).sum() == 0.0


def test_supplies_are_told_with_their_changes(planned: Any) -> None:
    _, _, plan = planned
    first = plan.stops[0].id
    swapped = replace(
        plan.supplies, swaps=(Swap("gas", ""), Swap("battery", first, during=True)), notes=("bring more",)
    )
    table = [(r["what"], r["value"]) for r in rows(supply_table(swapped))]
    assert ("gas change", "after the start") in table
    assert ("battery change", f"during {first}") in table
    assert table[-1] == ("note", "bring more")


def test_a_load_and_a_hold_are_the_plan_s_own_words() -> None:
    """The tables have a column for every figure of a load (a new one must be told too)."""
    from swardwright.shell.plan_tables import _HOLDS, _STOPS

    assert {"gas_hold_kg", "gas_pilot_kg", "energy_j", "drive_m", "drive_s", "arm_s", "heat_s"} <= set(_STOPS)
    assert {f for f in Load.__dataclass_fields__ if f != "stop_id"} <= set(_STOPS)
    assert {"hold_s", "gas_kg", "scorch_m2"} <= set(_HOLDS) & set(Hold.__dataclass_fields__)


def test_the_report_shows_the_pictures_that_are_there(copy: Path, call: Call) -> None:
    """Whole within the page: it is sent and printed without the folder beside it."""
    assert call("report", copy).exit_code == 0
    page = copy / "reports" / "round-1.html"
    assert "<img" not in page.read_text()
    assert call("plan-files", copy).exit_code == 0
    assert call("report", copy).exit_code == 0
    shown = re.findall(r'<img src="([^"]{30})', page.read_text())
    assert shown == ["data:image/png;base64,iVBORw0K"] * 2
    assert "ROS 2 messages of this plan lie in the folder <code>round-1</code>" in page.read_text()


def test_a_sweep_has_files_too(copy: Path, call: Call) -> None:
    """Nothing is to be heated yet: the arm looks and goes back; gas and time are what is expected."""
    text = (copy / "site.toml").read_text()
    start = text.index("[[zones]]")
    corners = text[start:].index("corners")
    end = start + corners + text[start + corners :].index("\n")
    small = 'corners = ["1 m, 2 m", "4 m, 2 m", "4 m, 4 m", "1 m, 4 m"]'
    (copy / "site.toml").write_text(text[: start + corners] + small + text[end:])
    done = call("plan", copy, "--sweep", "--files", "--json")
    assert done.exit_code == 0, done.stderr
    said = json.loads(done.stdout)
    folder = Path(said["folder"])
    assert rows((folder / "holds.csv").read_text()) == []
    stops = rows((folder / "stops.csv").read_text())
    assert len(stops) == said["stops"] > 0
    assert float(stops[-1]["done_s"]) == pytest.approx(said["time_s"], rel=1e-6)
    with opened(copy) as at:
        plan = at.plan()
        assert plan is not None
        for one in arm_work(plan, at.site.rig):
            assert {d.what for d in one.doings} == {"look", "picture", "rest"}
    assert call("plan-files", copy).exit_code == 0
