"""Free ground: where the base may stand, and the shortest way between two places around keep-outs.

The base is let turn on the spot anywhere it stands, so it keeps the circle about its axes that holds its footprint off
every keep-out. The shortest path among polygons runs through their corners (visibility graph; de Berg et al.,
Computational Geometry, chapter 15, from memory).
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from swardwright.domain.errors import SiteError
from swardwright.domain.poses import Array
from swardwright.domain.site import Site

if TYPE_CHECKING:
    from shapely.geometry.base import BaseGeometry

#: ground around the zones' and the start's bounding box on which the base may stand or pass, m
SURROUND_M = 1.5


def turning_radius_m(site: Site) -> float:
    """Return the radius of the circle about base axes that holds the base's footprint, m."""
    base = site.rig.base
    return math.hypot(base.length_m / 2.0 + abs(base.offset_m), base.width_m / 2.0)


@dataclass(frozen=True, eq=False)
class FreeGround:
    """The ground that the base axes may be at, connected with the start.

    Attributes
    ----------
    free : BaseGeometry
        Area for the base axes, ground axes, m.
    entry_m : tuple[float, float]
        Where the base gets onto it from its start (the start itself unless that is in a stand-off).
    cut_off : bool
        Whether other free ground exists that cannot be driven to.
    """

    free: BaseGeometry
    entry_m: tuple[float, float]
    cut_off: bool

    def standable(self, points_m: Array) -> NDArray[np.bool_]:
        """Return whether base axes may be at points (n, 2)."""
        import shapely

        shapely.prepare(self.free)
        inside: NDArray[np.bool_] = shapely.contains_xy(self.free, points_m[:, 0], points_m[:, 1])
        return inside

    def ways(self, points_m: Array) -> tuple[Array, list[list[Array]]]:
        """Return shortest distances and ways between points.

        Parameters
        ----------
        points_m : Array
            Shape (n, 2), on free ground.

        Returns
        -------
        tuple[Array, list[list[Array]]]
            Distances (n, n), m; ``ways[i][j]`` of shape (k, 2): way points from i to j, both ends included.
        """
        from scipy.sparse import csr_matrix
        from scipy.sparse.csgraph import dijkstra

        n = len(points_m)
        nodes = np.concatenate([points_m, self._corners()])
        i, j = np.triu_indices(len(nodes), k=1)
        seen = self._seen(nodes[i], nodes[j])
        i, j = i[seen], j[seen]
        length = np.maximum(np.linalg.norm(nodes[i] - nodes[j], axis=1), 1e-12)
        graph = csr_matrix((length, (i, j)), shape=(len(nodes), len(nodes)))
        distance, before = dijkstra(graph, directed=False, indices=np.arange(n), return_predecessors=True)
        ways = [[_way(nodes, before[a], a, b) for b in range(n)] for a in range(n)]
        return distance[:, :n], ways

    def _corners(self) -> Array:
        """Return the corners (k, 2) that a shortest way can bend at."""
        import shapely

        return shapely.get_coordinates(self.free)

    def _seen(self, a: Array, b: Array) -> NDArray[np.bool_]:
        import shapely

        room: Any = shapely.buffer(self.free, 1e-6)
        shapely.prepare(room)
        lines = shapely.linestrings(np.stack([a, b], axis=1))
        seen: NDArray[np.bool_] = shapely.covers(room, lines)
        return seen


def _way(nodes: Array, before: NDArray[Any], a: int, b: int) -> Array:
    path = [b]
    while path[-1] != a:
        previous = int(before[path[-1]])
        if previous < 0:
            return np.empty((0, 2))
        path.append(previous)
    return nodes[path[::-1]]


def nearest_free(ground: FreeGround, place_m: tuple[float, float]) -> tuple[float, float]:
    """Return the place itself where it is on free ground, else the nearest place that is (ground axes, m)."""
    import shapely

    point = shapely.Point(*place_m)
    if ground.free.is_empty or ground.free.covers(point):
        return place_m
    x, y = shapely.get_coordinates(shapely.shortest_line(ground.free, point))[0]
    return float(x), float(y)


def free_ground(site: Site) -> FreeGround:
    """Return the free ground that the base can drive to from the site's start.

    Raises
    ------
    SiteError
        If the start pose stands on a keep-out.
    """
    import shapely
    from shapely.geometry import Point, Polygon, box

    start = Point(site.start.x_m, site.start.y_m)
    radius = turning_radius_m(site)
    around = [Polygon(zone.corners_m) for zone in site.zones]
    low_x, low_y, high_x, high_y = shapely.union_all([*around, start]).bounds
    area: Any = box(low_x - SURROUND_M, low_y - SURROUND_M, high_x + SURROUND_M, high_y + SURROUND_M)
    for keep_out in site.keep_outs:
        polygon = Polygon(keep_out.corners_m)
        if polygon.covers(start):
            raise SiteError(
                f"the base starts on the keep-out {keep_out.name}", where="site.toml", field="start",
                value=(site.start.x_m, site.start.y_m), remedy="move the start pose or the keep-out",
            )  # fmt: skip
        # eight chords per circle: their middles, not their ends, are to be a radius away
        area = area.difference(polygon.buffer(radius / math.cos(math.pi / 8.0), quad_segs=2))
    pieces = [piece for piece in shapely.get_parts(area) if piece.area > 1e-6]
    if not pieces:
        return FreeGround(shapely.Polygon(), (start.x, start.y), False)
    mine = min(pieces, key=lambda piece: (piece.distance(start), -piece.area))
    whole = FreeGround(mine, (start.x, start.y), len(pieces) > 1)
    return replace(whole, entry_m=nearest_free(whole, whole.entry_m))
