from __future__ import annotations

import sys
from collections.abc import Callable
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parent))

from little_site import small_scenario  # type: ignore[import-not-found,unused-ignore]

from swardwright.simulation.machine import SimulatedRobot


@pytest.fixture
def make_robot(tmp_path: Path) -> Callable[..., SimulatedRobot]:
    def make(seed: int = 7, name: str = "site") -> SimulatedRobot:
        folder = tmp_path / name
        return SimulatedRobot(folder, small_scenario(folder, seed))

    return make
