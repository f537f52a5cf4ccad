"""The ground of a sweep as cells: which are to be covered, which a stop pose covers, which nothing can cover.

Everything is turned so that the first axis runs along the longer side of the zones: lanes then run along their edges.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from swardwright.domain.errors import SiteError
from swardwright.domain.poses import Array, wrap_angle
from swardwright.domain.site import Rig, Site
from swardwright.planning.ground import FreeGround
from swardwright.planning.reach_map import CELL_M, ReachMap
from swardwright.planning.sweep_cover import Ground, lattices_of
from swardwright.planning.view import ground_view_m

if TYPE_CHECKING:
    from shapely.geometry.base import BaseGeometry

#: edge of a cell, m, on ground up to ``_SMALL_M2``, and above
FINE_M, COARSE_M = 0.05, 0.1
_SMALL_M2 = 400.0
#: bases stand on every so many cells' corners, with so many headings
_GRID, _HEADINGS = 2, 8
#: gaps between squares of the reach map that are none (rounding), m
_JOIN_M = 1e-6


def ground_to_treat(site: Site) -> BaseGeometry:
    """Return the zones less the keep-outs with their stand-off, ground axes, m."""
    import shapely

    area: Any = shapely.union_all([shapely.Polygon(zone.corners_m) for zone in site.zones])
    for keep_out in site.keep_outs:
        area = area.difference(shapely.Polygon(keep_out.corners_m).buffer(keep_out.standoff_m))
    treated: BaseGeometry = area
    return treated


def served_from_stop(rig: Rig, reach: ReachMap) -> BaseGeometry:
    """Return the ground, base axes, m, that is seen by a look and surely reached from one stop.

    The union of the pictures of the look postures (their rims left out) and of the squares of the reach map that have
    reached ones all around: a stop a few centimetres off still serves.

    Raises
    ------
    SiteError
        If there is no look posture: nothing can then be found at a stop.
    """
    import shapely

    if not rig.look_joints_rad:
        raise SiteError("a sweep looks for weeds at each stop, and there is no look posture", where="site.toml",
                        field="rig.look_postures", value="none",
                        remedy="give postures from which the camera sees the ground that the head reaches")  # fmt: skip
    seen = shapely.union_all([shapely.Polygon(ground_view_m(rig, posture)) for posture in rig.look_joints_rad])
    i, j = np.nonzero(reach.sure)
    x, y = reach.first_m[0] + CELL_M * i, reach.first_m[1] + CELL_M * j
    half = 0.5 * CELL_M
    reached: Any = shapely.union_all(shapely.box(x - half, y - half, x + half, y + half))
    served: BaseGeometry = reached.buffer(_JOIN_M, join_style="mitre").intersection(seen)
    return served


@dataclass(frozen=True, eq=False)
class SweepGround:
    """Cells and what they mean on the ground.

    Attributes
    ----------
    area : BaseGeometry
        Ground to treat, turned axes, m.
    cells : Ground
        Those that some pose covers are to be covered.
    left_out : NDArray[np.int64]
        Cells that no pose covers.
    cell_m, first_m, turn_rad : float, Array, float
        Edge; lower corner of cell 0, turned axes (2,); how turned axes lie in ground axes.
    headings_rad : Array
        Shape (k,), turned axes.
    """

    area: BaseGeometry
    cells: Ground
    left_out: NDArray[np.int64]
    cell_m: float
    first_m: Array
    turn_rad: float
    headings_rad: Array

    def corners_m(self, cells: NDArray[np.int64]) -> Array:
        """Return the lower corners (n, 2) of cells, turned axes, m."""
        index = np.stack(np.divmod(cells, self.cells.width), axis=-1)
        corners: Array = self.first_m + self.cell_m * index
        return corners

    def poses(self, chosen: list[int]) -> Array:
        """Return poses (n, 3) in ground axes: x_m, y_m, yaw_rad."""
        place, heading = np.divmod(np.array(chosen, dtype=np.int64), len(self.headings_rad))
        places = turned(self.corners_m(self.cells.places[place]), self.turn_rad)
        yaw = [wrap_angle(float(a)) for a in self.headings_rad[heading] + self.turn_rad]
        return np.column_stack([places, np.array(yaw).reshape(-1)])

    def outline(self, cells: NDArray[np.int64]) -> BaseGeometry:
        """Return the part of the ground to treat that lies in some cells, ground axes, m."""
        import shapely

        x, y = self.corners_m(cells).T
        east, north = self.corners_m(
            cells + self.cells.width + 1
        ).T  # the same numbers as the neighbours' lower corners
        boxes: Any = shapely.union_all(shapely.box(x, y, east, north))
        inside: BaseGeometry = _turned_shape(shapely.intersection(boxes, self.area), self.turn_rad)
        return inside


def turned(points_m: Array, angle_rad: float) -> Array:
    """Return points (n, 2) turned about the origin, anticlockwise."""
    c, s = math.cos(angle_rad), math.sin(angle_rad)
    out: Array = points_m @ np.array([[c, s], [-s, c]])
    return out


def _turned_shape(shape: Any, angle_rad: float) -> Any:
    import shapely

    return shapely.transform(shape, lambda points: turned(points, angle_rad))


def cut_ground(site: Site, free: FreeGround, served: BaseGeometry) -> SweepGround:
    """Cut the ground to treat into cells, and say which poses on free ground cover which of them.

    Parameters
    ----------
    served : BaseGeometry
        What one stop serves, base axes.
    """
    import shapely

    area = ground_to_treat(site)
    cell_m = FINE_M if area.area <= _SMALL_M2 else COARSE_M
    turn = _along(site)
    area = _turned_shape(area, -turn)
    reach_m = float(np.linalg.norm(shapely.get_coordinates(served), axis=1).max(initial=0.0))
    rim = math.ceil(reach_m / cell_m) + 2
    west, south, east, north = shapely.bounds(area) if area.area > 0.0 else (0.0, 0.0, 0.0, 0.0)
    count = np.array([math.ceil((east - west) / cell_m), math.ceil((north - south) / cell_m)]) + 4 * rim
    first = np.array([west, south]) - 2 * rim * cell_m
    width = int(count[1])

    index = np.stack(np.meshgrid(*(np.arange(2 * rim, n - 2 * rim) for n in count), indexing="ij"), -1).reshape(-1, 2)
    x, y = (first + cell_m * index).T
    shapely.prepare(area)
    wanted = shapely.intersects(area, shapely.box(x, y, x + cell_m, y + cell_m))
    touched = index[wanted][:, 0] * width + index[wanted][:, 1]

    steps = [np.arange(rim, n - rim, _GRID) for n in count]
    stands = np.stack(np.meshgrid(*steps, indexing="ij"), axis=-1).reshape(-1, 2)
    on_free = np.zeros(len(stands), dtype=bool)
    if not free.free.is_empty:
        on_free = free.standable(turned(first + cell_m * stands, turn))
    places = stands[on_free][:, 0] * width + stands[on_free][:, 1]

    headings: Array = 2.0 * math.pi / _HEADINGS * np.arange(_HEADINGS, dtype=np.float64)
    shapes = [cells_within(_turned_shape(served, float(yaw)), cell_m, rim) for yaw in headings]
    masks = tuple(shape[:, 0] * width + shape[:, 1] for shape in shapes)
    lattices = tuple(
        (k, *lattice) for k in range(0, _HEADINGS, _HEADINGS // 4) for lattice in lattices_of(shapes[k], _GRID)
    )
    todo = np.zeros(int(count.prod()), dtype=bool)
    todo[touched] = True
    can = Ground(width, todo, places, masks, lattices).coverable()
    cells = Ground(width, todo & can, places, masks, lattices)
    return SweepGround(area, cells, np.flatnonzero(todo & ~can), cell_m, first, turn, headings)


def cells_within(shape: BaseGeometry, cell_m: float, rim: int) -> NDArray[np.int64]:
    """Return the cells (n, 2), counted from the base axes' origin, that lie in a shape with their whole square."""
    import shapely

    if shape.is_empty:
        return np.zeros((0, 2), dtype=np.int64)
    steps = np.arange(-rim, rim)
    index = np.stack(np.meshgrid(steps, steps, indexing="ij"), axis=-1).reshape(-1, 2)
    x, y = (cell_m * index).T
    shapely.prepare(shape)
    inside: NDArray[np.int64] = index[shapely.covers(shape, shapely.box(x, y, x + cell_m, y + cell_m))]
    return inside


def _along(site: Site) -> float:
    """Return the direction of the longer side of the smallest rectangle about the zones, rad."""
    import shapely

    zones = shapely.union_all([shapely.Polygon(zone.corners_m) for zone in site.zones])
    corners = shapely.get_coordinates(shapely.minimum_rotated_rectangle(zones))
    sides = np.diff(corners, axis=0)[:2]
    longer = sides[int(np.argmax(np.round(np.linalg.norm(sides, axis=1), 6)))]
    return math.atan2(float(longer[1]), float(longer[0])) % math.pi
