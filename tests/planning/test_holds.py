"""Parking where every weed has an exact posture; the bound is of the weeds that are left."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from scipy.sparse import csr_array

from swardwright.domain.plan import Hold, Refused
from swardwright.domain.site import Base
from swardwright.planning import holds, plan_round, share
from swardwright.planning.looks import LookWay
from swardwright.planning.stops import Offered


def offered(covers: list[list[int]]) -> Offered:
    m = len(covers)
    poses = np.column_stack([np.arange(m, dtype=float), np.zeros(m), np.zeros(m)])  # stop k stands at x = k
    return Offered(poses, csr_array(2.0 * np.array(covers)), np.zeros(m))


WEEDS_M = np.column_stack([np.zeros(3), np.arange(3.0)])  # weed k stands at y = k, so an aim is (-stop, weed)


def no_posture(monkeypatch: pytest.MonkeyPatch, *pairs: tuple[int, int]) -> None:
    def postures(rig: Any, reach: Any, aims_m: np.ndarray) -> np.ndarray:
        missing = [(round(-x), round(y)) in pairs for x, y in aims_m]
        return np.where(np.array(missing)[:, None], np.nan, 0.0)

    monkeypatch.setattr(holds, "_postures", postures)


def park(covers: list[list[int]], prices: list[float] | None = None) -> holds.Parked:
    rig = SimpleNamespace(base=Base(0.4, 0.4, 0.0, 85.0, 0.5, 0.6, 150.0, 80.0, 0.0, 0.2))
    at = replace(offered(covers), prices=None if prices is None else np.array(prices))
    return holds.park(rig, None, at, WEEDS_M)  # type: ignore[arg-type]


def test_a_refused_weed_does_not_prop_up_the_bound(monkeypatch: pytest.MonkeyPatch) -> None:
    # weed 0 is on offer from stop 0 only and has no posture there: what is left, 1 and 2, needs stop 1 alone
    no_posture(monkeypatch, (0, 0))
    parked = park([[1, 1, 0], [0, 1, 1]])
    assert parked.unposed == [0]
    assert (parked.chosen, parked.bound) == ([1], 1)
    assert sorted(w for items in parked.work.values() for w, _, _ in items) == [1, 2]


def test_another_stop_is_tried_before_a_weed_is_refused(monkeypatch: pytest.MonkeyPatch) -> None:
    no_posture(monkeypatch, (0, 0))
    parked = park([[1, 1, 1], [1, 0, 0]])
    assert parked.unposed == []
    assert sorted(parked.chosen) == [0, 1]
    assert parked.bound == 2  # by hand: stop 0 cannot serve weed 0, stop 1 only that
    assert sorted(w for items in parked.work.values() for w, _, _ in items) == [0, 1, 2]


def test_no_posture_anywhere_ends_and_refuses_all(monkeypatch: pytest.MonkeyPatch) -> None:
    no_posture(monkeypatch, *((s, w) for s in range(6) for w in range(3)))
    parked = park([[1, 1, 1]] * 6)
    assert (parked.unposed, parked.chosen, parked.bound) == ([0, 1, 2], [], 0)


@pytest.mark.parametrize("prices", [None, [0.6, 0.3, 0.1]])
def test_every_weed_that_some_stop_has_a_posture_over_is_served(
    monkeypatch: pytest.MonkeyPatch, prices: list[float] | None
) -> None:
    # weed 0: no posture from the first four stops that offer it, but from the fifth; weed 2: from none
    no_posture(monkeypatch, *((s, 0) for s in range(4)), *((s, 2) for s in range(5)))
    covers = [[1, 1, 1], [1, 1, 0], [1, 0, 1], [1, 0, 0], [1, 0, 0]]
    parked = park(covers, prices)
    assert parked.unposed == [2]
    done = {w: parked.chosen[place] for place, items in parked.work.items() for w, _, _ in items}
    assert done[0] == 4
    assert done[1] in (0, 1)
    assert sorted(done) == [0, 1]
    # covered anew, stop 4 and one more are needed; the prices of 0 and 1 (0.9 together) claim no more than one stop
    assert parked.bound == (2 if prices is None else 1)
    assert len(parked.yaw_rad) == len(parked.chosen) == len(set(parked.chosen))


def test_no_posture_anywhere_ends_on_large_sites_too(monkeypatch: pytest.MonkeyPatch) -> None:
    no_posture(monkeypatch, *((s, w) for s in range(6) for w in range(3)))
    parked = park([[1, 1, 1]] * 6, [0.5, 0.3, 0.2])
    assert (parked.unposed, parked.bound) == ([0, 1, 2], 0)
    assert not any(parked.work.values())


def hold(name: str) -> Hold:
    return Hold(name, (0.5, 0.0), (0.0,) * 6, 1.0, 1e-4, 0.95, 1e-3, 1.0)


def test_a_stop_without_a_motion_is_left_out_and_the_bound_stays_true(
    make: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    # stops 4 and 7 are chosen and proven to be the fewest for three weeds; no motion leads to the one of stop 7
    def order(rig: Any, given: tuple[Any, ...]) -> Any:
        names = [candidate for candidate, _, _ in given[0]]
        lost = [Refused(name, "the arm finds no way to it") for name in names if name == "c"]
        done = tuple(hold(name) for name in names if name != "c")
        return holds.StopHolds(LookWay((), 0.0, 0.0, 0.0), done, 3.0, lost)

    monkeypatch.setattr(holds, "_work", order)
    at = np.zeros(2)
    parked = holds.Parked([4, 7], 2, {0: [(0, at, at), (1, at, at)], 1: [(2, at, at)]}, [], [0.0, 1.0])
    worked = holds.work_stops(None, parked, ["a", "b", "c"], np.random.default_rng(1))  # type: ignore[arg-type,list-item]
    assert worked.rows == [4]
    assert [[one.weed_id for one in done] for done in worked.holds] == [["a", "b"]]
    assert worked.arm_s == [3.0]
    assert [one.item for one in worked.refused] == ["c"]
    assert worked.bound == 1  # a and b alone need one stop: two would be a lie
    # nothing is left: no stop, and none is claimed to be needed
    nothing = holds.work_stops(None, replace(parked, chosen=[7], work={0: [(2, at, at)]}), ["a", "b", "c"],
                               np.random.default_rng(1))  # type: ignore[arg-type,list-item]  # fmt: skip
    assert (nothing.rows, nothing.holds, nothing.bound) == ([], [], 0)


def test_a_plan_is_the_same_however_many_processes_share_it(make: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(share, "FEW", 2)
    told: list[tuple[str, int, int]] = []
    register, site = make.register(16), make.site()
    alone = plan_round(register, site, plan_id="r", seed=3)
    shared = plan_round(register, site, plan_id="r", seed=3, workers=2, progress=lambda *now: told.append(now))
    assert len(alone.stops) > 2
    assert shared == alone
    parts = [part for part, _, _ in told]
    assert sorted(set(parts), key=parts.index) == ["reach", "places", "stops", "holds", "route"]
    assert [now for now in told if now[0] == "holds"][-1] == ("holds", len(alone.stops), len(alone.stops))
