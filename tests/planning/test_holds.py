"""Parking where every weed has an exact posture; the bound is of the weeds that are left."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from swardwright.planning import holds
from swardwright.planning.stops import Offered


def offered(covers: list[list[int]]) -> Offered:
    m, n = np.shape(covers)
    poses = np.column_stack([np.arange(m, dtype=float), np.zeros(m), np.zeros(m)])  # stop k stands at x = k
    return Offered(poses, np.array(covers, dtype=bool), np.ones((m, n)), np.zeros((m, n), dtype=bool), np.zeros(m))


WEEDS_M = np.column_stack([np.zeros(3), np.arange(3.0)])  # weed k stands at y = k, so an aim is (-stop, weed)


def no_posture(monkeypatch: pytest.MonkeyPatch, *pairs: tuple[int, int]) -> None:
    def postures(rig: Any, reach: Any, aims_m: np.ndarray) -> np.ndarray:
        missing = [(round(-x), round(y)) in pairs for x, y in aims_m]
        return np.where(np.array(missing)[:, None], np.nan, 0.0)

    monkeypatch.setattr(holds, "_postures", postures)


def park(covers: list[list[int]]) -> holds.Parked:
    return holds.park(None, None, offered(covers), WEEDS_M)  # type: ignore[arg-type]


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
