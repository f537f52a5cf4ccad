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
    beyond : BaseGeometry | None
        That other ground, ground axes, m; None: not looked for.
    """

    free: BaseGeometry
    entry_m: tuple[float, float]
    cut_off: bool
    beyond: BaseGeometry | None = None

    def standable(self, points_m: Array) -> NDArray[np.bool_]:
        """Return whether base axes may be at points (n, 2)."""
        import shapely

        shapely.prepare(self.free)
        inside: NDArray[np.bool_] = shapely.contains_xy(self.free, points_m[:, 0], points_m[:, 1])
        return inside

    def ways(self, points_m: Array) -> tuple[Array, list[list[Array]]]:
        """Return shortest distances and ways between a few points.

        Parameters
        ----------
        points_m : Array
            Shape (n, 2), on free ground.

        Returns
        -------
        tuple[Array, list[list[Array]]]
            Distances (n, n), m; ``ways[i][j]`` of shape (k, 2): way points from i to j, both ends included.
        """
        ways = self.ways_between(points_m)
        n = len(points_m)
        return ways.distance_m, [[ways.way_m(a, b) for b in range(n)] for a in range(n)]

    def ways_between(self, points_m: Array, *, from_start: bool = False) -> Ways:
        """Return the shortest ways between all of some thousand points (n, 2) on free ground.

        With ``from_start`` the first point is the base's start: it may lie off the free ground, and is then left for
        the entry first.
        """
        from scipy.sparse import csr_matrix
        from scipy.sparse.csgraph import dijkstra

        n = len(points_m)
        corners = self._corners()
        nodes = np.concatenate([points_m, [self.entry_m], corners])
        i, j = np.triu_indices(len(nodes), k=1)
        seen = self._seen(nodes[i], nodes[j])
        if from_start:
            seen |= (i == 0) & (j == n)
        i, j = i[seen], j[seen]
        length = np.maximum(np.linalg.norm(nodes[i] - nodes[j], axis=1), 1e-12)
        graph = csr_matrix((length, (i, j)), shape=(len(nodes), len(nodes)))
        distance, before = dijkstra(graph, directed=False, indices=np.arange(n), return_predecessors=True)
        return Ways(nodes, distance[:, :n], before)

    def _corners(self) -> Array:
        """Return the corners (k, 2) that a shortest way can bend at."""
        import shapely

        return shapely.get_coordinates(self.free)

    def _seen(self, a: Array, b: Array) -> NDArray[np.bool_]:
        """Return whether the straight lines a-b (k, 2) stay on free ground; lines far from its edges are not asked."""
        import shapely

        room: Any = shapely.buffer(self.free, 1e-6)
        shapely.prepare(room)
        seen = np.ones(len(a), dtype=bool)
        lower, upper = np.minimum(a, b), np.maximum(a, b)
        near = np.zeros(len(a), dtype=bool)
        for hollow in shapely.get_parts(shapely.difference(shapely.envelope(room), room)):
            west, south, east, north = shapely.bounds(hollow)
            near |= (upper[:, 0] >= west) & (lower[:, 0] <= east) & (upper[:, 1] >= south) & (lower[:, 1] <= north)
        lines = shapely.linestrings(np.stack([a[near], b[near]], axis=1))
        seen[near] = shapely.covers(room, lines)
        return seen


@dataclass(frozen=True, eq=False)
class Ways:
    """Shortest ways between all of n points.

    Attributes
    ----------
    nodes_m : Array
        Shape (n + k, 2): the points, then the entry and the corners at which ways can bend.
    distance_m : Array
        Shape (n, n); infinite where no way leads.
    before : NDArray[np.int32]
        Shape (n, n + k): the node before, on the way from the point (row); negative where there is none.
    """

    nodes_m: Array
    distance_m: Array
    before: NDArray[Any]

    def way_m(self, a: int, b: int) -> Array:
        """Return the way points (k, 2) from point a to point b, both ends included; none where no way leads."""
        path = [b]
        while path[-1] != a:
            previous = int(self.before[a, path[-1]])
            if previous < 0:
                return np.empty((0, 2))
            path.append(previous)
        return self.nodes_m[path[::-1]]

    def turns_rad(self, yaw_rad: Array) -> Array:
        """Return the radians turned on the spot (n, n) from pose to pose: at the start, each bend and the end.

        The base drives each way forwards or backwards as a whole, whichever turns less, so that the matrix is
        symmetric: the way back is the same way driven in the other gear.

        Parameters
        ----------
        yaw_rad : Array
            Shape (n,): headings at the points.
        """
        n = len(yaw_rad)
        row, here = (a.ravel() for a in np.indices((n, n)))
        last = np.full(n * n, np.nan)  # direction of the last piece of the way, then of the piece looked at
        nearer = np.full(n * n, np.nan)
        bends = np.zeros(n * n)
        alive = np.flatnonzero((row != here) & (self.before[row, here] >= 0))
        at = here[alive]
        while alive.size:
            previous = self.before[row[alive], at]
            step = self.nodes_m[at] - self.nodes_m[previous]
            moves = np.hypot(step[:, 0], step[:, 1]) > 1e-9
            along = np.arctan2(step[:, 1], step[:, 0])
            new = moves & np.isnan(last[alive])
            last[alive[new]] = along[new]
            bend = moves & ~new
            bends[alive[bend]] += turned_rad(nearer[alive[bend]] - along[bend])
            nearer[alive[moves]] = along[moves]
            going = previous != row[alive]
            alive, at = alive[going], previous[going]
        start, end = yaw_rad[row], yaw_rad[here]
        gears = [turned_rad(nearer + gear - start) + turned_rad(end - last - gear) for gear in (0.0, np.pi)]
        turn = np.where(np.isnan(last), turned_rad(end - start), bends + np.minimum(*gears))
        return turn.reshape(n, n)


def turned_rad(angle: Array) -> Array:
    """Return how far an angle turns, the short way round, rad."""
    turned: Array = np.abs((angle + np.pi) % (2.0 * np.pi) - np.pi)
    return turned


def nearest_free(ground: FreeGround, place_m: tuple[float, float]) -> tuple[float, float]:
    """Return the place itself where it is on free ground, else the nearest place that is (ground axes, m)."""
    import shapely

    point = shapely.Point(*place_m)
    if ground.free.is_empty or ground.free.covers(point):
        return place_m
    x, y = shapely.get_coordinates(shapely.shortest_line(ground.free, point))[0]
    return float(x), float(y)


def _footprint_m(site: Site) -> Array:
    """Return the corners (4, 2) of the base's footprint at its start, ground axes, m."""
    base, start = site.rig.base, site.start
    ahead = np.array([-0.5, 0.5, 0.5, -0.5]) * base.length_m + base.offset_m
    left = np.array([-0.5, -0.5, 0.5, 0.5]) * base.width_m
    c, s = math.cos(start.yaw_rad), math.sin(start.yaw_rad)
    return np.column_stack([start.x_m + c * ahead - s * left, start.y_m + s * ahead + c * left])


def free_ground(site: Site) -> FreeGround:
    """Return the free ground that the base can drive to from the site's start.

    Raises
    ------
    SiteError
        If the base stands on a keep-out at its start, if only with a corner.
    """
    import shapely
    from shapely.geometry import Point, Polygon, box

    start, standing = Point(site.start.x_m, site.start.y_m), Polygon(_footprint_m(site))
    radius = turning_radius_m(site)
    around = [Polygon(zone.corners_m) for zone in site.zones]
    low_x, low_y, high_x, high_y = shapely.union_all([*around, start]).bounds
    area: Any = box(low_x - SURROUND_M, low_y - SURROUND_M, high_x + SURROUND_M, high_y + SURROUND_M)
    for keep_out in site.keep_outs:
        polygon = Polygon(keep_out.corners_m)
        if polygon.intersection(standing).area > 1e-6:
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
    others = [piece for piece in pieces if piece is not mine]
    whole = FreeGround(mine, (start.x, start.y), bool(others), shapely.union_all(others))
    return replace(whole, entry_m=nearest_free(whole, whole.entry_m))
