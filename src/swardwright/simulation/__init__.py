"""The invented site: turf and plants rendered, a robot with errors, heat, wilting and regrowth.

Nothing here is imported by the steps; the rest of the program sees only recordings and the ``Robot`` protocol.
"""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from swardwright.domain.robot import Robot
    from swardwright.domain.site import Site


def write_scenario(folder: Path, seed: int) -> None:
    """Write the invented site (site file, robot, camera, world, truth) into ``folder``; its story starts afresh.

    Raises
    ------
    InputError
        If ``seed`` is not a whole number from 0 to 999,999.
    """
    from swardwright.simulation.world import write_scenario as write

    write(folder, seed)


def robot(folder: Path, site: Site) -> Robot:
    """Return the simulated robot of a site folder; ``site.toml`` names it as ``swardwright.simulation:robot``.

    Raises
    ------
    SiteError
        If the folder holds no simulated world.
    """
    from swardwright.simulation.machine import SimulatedRobot

    return SimulatedRobot(folder, site)


__all__ = ["robot", "write_scenario"]
