"""A small invented site (the shipped one with a 3 m x 2 m green, so that it renders in a moment) and a little round.

Run as a program with a folder and a seed, it prints the digest of the round: another process must get the same.
"""

from __future__ import annotations

import hashlib
import json
import math
import sys
from collections.abc import Callable
from pathlib import Path

import swardwright.simulation as simulation
from swardwright.domain.poses import BasePose
from swardwright.domain.site import Site
from swardwright.shell.site_file import load_site
from swardwright.simulation.machine import SimulatedRobot
from swardwright.simulation.world import DAY_S

#: head straight down, 0.12 m above the ground or so
DOWN = (0.0, 0.85, 0.0, 1.7, 0.0, math.pi - 2.55, 0.0)


def small_scenario(folder: Path, seed: int) -> Site:
    simulation.write_scenario(folder, seed)
    path = folder / "simulation" / "world.json"
    world = json.loads(path.read_text())
    world.update(size_m=[3.0, 2.0], margin_m=[0.5, 0.5], count=16, features=[["box", [[2, 1], [2.2, 1], [2.2, 1.2]]]])
    path.write_text(json.dumps(world))
    return load_site(folder)


def work(robot: SimulatedRobot, step: int) -> None:
    calls: list[Callable[[], object]] = [
        lambda: robot.drive_to(BasePose(0.5, 1.0, 0.3)),
        lambda: robot.move_arm(DOWN),
        lambda: robot.light(True),
        lambda: robot.heat(1.5),
        lambda: robot.wait(14 * DAY_S),
        lambda: robot.move_arm(robot.site.rig.survey_joints_rad),
    ]
    calls[step]()


def digest(robot: SimulatedRobot) -> str:
    image = robot.picture().image.tobytes()
    return hashlib.sha256((robot.folder / "state.json").read_bytes() + image).hexdigest()


def in_one_go(folder: Path, seed: int) -> str:
    robot = SimulatedRobot(folder, small_scenario(folder, seed))
    for step in range(6):
        work(robot, step)
    return digest(robot)


if __name__ == "__main__":
    print(in_one_go(Path(sys.argv[1]), int(sys.argv[2])))
