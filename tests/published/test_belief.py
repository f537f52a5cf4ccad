"""Belief that a plant stands there, against a textbook's grid cell."""

from __future__ import annotations

import dataclasses

import pytest

from swardwright.merging.presence import PresenceSettings, presence

#: every plant alike, nothing that lasts: the plain grid cell of the textbook
PLAIN = dataclasses.replace(PresenceSettings(), hard=0.0, remains=0.0, lasting=0.0, floor=1e-9)


def test_log_odds_against_a_worked_grid_cell() -> None:
    """Thrun, Burgard and Fox 2005, Probabilistic Robotics, eq. 4.20: log odds add up (from memory).

    By hand: prior 0.5, found with 0.9 where a plant is and 0.05 where none is. Seen twice: odds 18^2 = 324. Seen and
    missed: odds 18 x 0.1 / 0.95. The order does not matter, and a score as usual adds nothing.
    """

    def cell(seen: int, missed: int, before: float = 0.5) -> float:
        return presence(before, [(0.8, 0.9)] * seen, [0.9] * missed, chance=0.05, settings=PLAIN, real_share=0.8)

    assert cell(2, 0) == pytest.approx(324 / 325, abs=1e-9)
    odds = 18 * 0.1 / 0.95
    assert cell(1, 1) == pytest.approx(odds / (1 + odds), abs=1e-9)
    once = cell(1, 0)
    assert presence(once, [], [0.9], chance=0.05, settings=PLAIN) == pytest.approx(cell(1, 1), abs=1e-9)
