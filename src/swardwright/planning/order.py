"""Inside a stop: the order of the holds and the arm's posture over each, chosen together.

Over one weed the arm has many postures: elbow to either side, wrist either way, the head turned about its own axis.
Which is best depends on where the arm comes from and goes to, so order and postures are one question: a generalised
travelling salesman, one posture out of each weed's group. Up to ``_EXACT`` weeds it is solved exactly over the postures
on offer (dynamic programming over the sets of weeds done: Held and Karp 1962, from memory), above that by local search.

The times are those of straight motions. Only the motions of the best order are checked for what is in their way; one
that must go round, or cannot, gets its true time and the question is asked again, until the best order is all checked.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from swardwright.domain.poses import Array
from swardwright.domain.site import Rig
from swardwright.planning.motion import Motion, between, hindrances, lift
from swardwright.planning.pace import paced_s
from swardwright.planning.reach import ANGLE_TOLERANCE_RAD, cones_rad, nearest_starts, solve, tilt_rad, travel_s, usable
from swardwright.planning.tour import shortest_path

#: postures on offer over each weed, and starts of the search for them
POSTURES, _STARTS = 8, 12
#: a search that takes longer is left: others arrive sooner
_ITERATIONS = 24
#: up to so many weeds the order is exact
_EXACT = 9
#: a motion that is not possible counts so much, s
_BLOCKED_S = 1e6
#: searches for the best order, each with the motions of the last one checked; so many that a weed is not refused for
#: want of them: in hard stops some hundred motions are blocked before a clear order is found
_ROUNDS = 1000
#: how often postures are sought anew from between those of the best order
_REFINED = 1
#: two postures nearer than this in time are the same, s
_SAME_S = 0.03


@dataclass(frozen=True, eq=False)
class Work:
    """The holds of one stop in order.

    Attributes
    ----------
    order : list[int]
        Rows of the aims.
    joints_rad : Array
        Shape (n, dof): the posture over each aim, in the same order.
    motions : list[Motion]
        To each hold, and last back to rest: n + 1.
    refused : dict[int, str]
        Rows of aims to which no motion leads, with the reason.
    """

    order: list[int]
    joints_rad: Array
    motions: list[Motion]
    refused: dict[int, str]


def order_work(
    rig: Rig, aims_m: Array, given_rad: Array, begin_rad: Array, end_rad: Array, rng: np.random.Generator
) -> Work:
    """Choose order and postures so that the arm moves for the shortest time.

    Parameters
    ----------
    aims_m, given_rad : Array
        Shapes (n, 2) and (n, dof): aims, base axes, and a usable posture over each.
    begin_rad, end_rad : Array
        Shape (dof,): where the arm is before (flame out) and goes after (flame out).
    """
    groups = offer_postures(rig, aims_m, given_rad)
    for _ in range(_REFINED):
        _offer_between(rig, aims_m, groups, begin_rad, end_rad, rng)
    left = list(range(len(aims_m)))
    refused: dict[int, str] = {}
    while left:
        graph = _Graph(rig, [groups[row] for row in left], begin_rad, end_rad)
        path = graph.best(rng)
        blocked = [(a, b) for a, b in pairwise(path) if isinstance(graph.motion(a, b), str)]
        if not blocked:
            order = [left[graph.group[node]] for node in path[1:-1]]
            motions = [m for a, b in pairwise(path) if isinstance(m := graph.motion(a, b), Motion)]
            return Work(order, graph.joints[path[1:-1]], motions, refused)
        a, b = blocked[0]
        bad = graph.group[b] if b != graph.last else graph.group[a]
        refused[left[bad]] = f"the arm finds no way to it: {graph.motion(a, b)}"
        del left[bad]
    empty = np.empty((0, len(begin_rad)))
    return Work([], empty, [], refused)


def _offer_between(
    rig: Rig, aims_m: Array, groups: list[Array], begin_rad: Array, end_rad: Array, rng: np.random.Generator
) -> None:
    """Add postures sought from between those before and after in the best order so far, motions unchecked."""
    if not groups:
        return
    graph = _Graph(rig, groups, begin_rad, end_rad)
    path = graph.quickest(rng)
    starts = [np.empty((0, len(begin_rad)))] * len(groups)
    for before, here, after in zip(path, path[1:], path[2:], strict=False):
        a, b = graph.joints[before], graph.joints[after]
        starts[graph.group[here]] = np.stack([a, b, 0.5 * (a + b), (a + b + graph.joints[here]) / 3.0])
    _widen(rig, aims_m, groups, starts)


def offer_postures(rig: Rig, aims_m: Array, given_rad: Array) -> list[Array]:
    """Return a dozen at most of the usable postures over each aim (n, 2), the given one first: a list of (k, dof).

    Sought from many starts, and from the other aims' postures, so that neighbours can be reached with little turning.
    """
    groups = [given[None] for given in given_rad]
    starts = list(nearest_starts(rig, aims_m, _STARTS))
    _widen(rig, aims_m, groups, starts)
    near = [np.concatenate([groups[j][:3] for j in range(len(groups)) if j != i][:15] or [given_rad[i][None]])
            for i in range(len(groups))]  # fmt: skip
    found = [_spread(rig, group) for group in groups]
    _widen(rig, aims_m, found, near)
    return [_spread(rig, group) for group in found]


def _widen(rig: Rig, aims_m: Array, groups: list[Array], starts: list[Array]) -> None:
    """Add to each group the usable postures found from its starts, tilted only where the first is."""
    owner = np.repeat(np.arange(len(groups)), [len(s) for s in starts])
    upright = np.array([tilt_rad(rig, group[0]) <= 2.0 * ANGLE_TOLERANCE_RAD for group in groups])
    begin = np.concatenate(starts)
    for cone, these in ((0.0, upright[owner]), (cones_rad(rig)[-1], ~upright[owner])):
        mine = owner[these]
        if not mine.size:
            continue
        joints, arrived = solve(rig, aims_m[mine], begin[these], cone, iterations=_ITERATIONS)
        good = usable(rig, joints, arrived)
        for i in np.unique(mine[good]):
            for posture in joints[good & (mine == i)]:
                if (travel_s(rig, posture, groups[i]) > _SAME_S).all():
                    groups[i] = np.concatenate([groups[i], posture[None]])


def _spread(rig: Rig, group: Array, count: int = POSTURES + 4) -> Array:
    """Return the first few postures and of the others those furthest from all taken."""
    taken = list(range(min(len(group), POSTURES // 2)))
    while len(taken) < min(count, len(group)):
        away = travel_s(rig, group[:, None], group[None, taken]).min(axis=1)
        taken.append(int(np.argmax(away)))
    return group[taken]


class _Graph:
    """Begin (node 0), the postures of all groups, end (last node), and the times of the motions between them."""

    def __init__(self, rig: Rig, groups: list[Array], begin_rad: Array, end_rad: Array) -> None:
        self._rig = rig
        self.joints = np.concatenate([begin_rad[None], *groups, end_rad[None]])
        self.last = len(self.joints) - 1
        self.group = [-1, *(i for i, group in enumerate(groups) for _ in group), -1]
        inner = self.joints[1:-1]
        self._lifted = self.joints.copy()
        up = lift(rig, inner)
        clear = np.array([not text for text in hindrances(rig, inner, up, lit=True)], dtype=bool)
        self._lifted[1:-1] = np.where(clear[:, None], up, inner)
        up = self._lifted
        self.cost = paced_s(rig, [self.joints[:, None], up[:, None], up[None], self.joints[None]])
        self._known: dict[tuple[int, int], Motion | str] = {}

    def motion(self, a: int, b: int) -> Motion | str:
        """Return the checked motion from node a to node b, or why there is none."""
        if (a, b) not in self._known:
            lit = a != 0 and b != self.last
            head, tail = [self.joints[a], self._lifted[a]], [self._lifted[b], self.joints[b]]
            made = between(self._rig, head, tail, lit=lit)
            self._known[a, b] = made
            self.cost[a, b] = made.time_s if isinstance(made, Motion) else _BLOCKED_S
        return self._known[a, b]

    def quickest(self, rng: np.random.Generator) -> list[int]:
        """Return the quickest path by the times known so far."""
        count = max(self.group) + 1
        members = [np.array([n for n, g in enumerate(self.group) if g == i], dtype=np.int64) for i in range(count)]
        return exact_path(self.cost, members) if count <= _EXACT else searched_path(self.cost, members, rng)

    def best(self, rng: np.random.Generator) -> list[int]:
        """Return the quickest path from begin through one node of each group to the end, all its motions checked."""
        best: list[int] = []
        for _ in range(_ROUNDS):
            best = self.quickest(rng)
            open_ = [edge for edge in pairwise(best) if edge not in self._known]
            for a, b in open_:
                self.motion(a, b)
            if not open_:
                break
        for a, b in pairwise(best):
            self.motion(a, b)
        return best


def exact_path(cost: Array, members: list[NDArray[np.int64]]) -> list[int]:
    """Return the shortest path from node 0 to the last node through exactly one member of each group.

    Parameters
    ----------
    cost : Array
        Shape (n, n), not symmetric.
    """
    nodes = np.concatenate(members)
    group = np.repeat(np.arange(len(members)), [len(m) for m in members])
    bit = 1 << group
    between_ = cost[np.ix_(nodes, nodes)]
    size = 1 << len(members)
    inside = np.array([(done & bit) > 0 for done in range(size)])  # by set of groups done: nodes of theirs
    best = np.full((size, len(nodes)), np.inf)
    came = np.full((size, len(nodes)), -1, dtype=np.int64)
    best[bit, np.arange(len(nodes))] = cost[0, nodes]
    for done in range(1, size - 1):
        at, to = inside[done].nonzero()[0], (~inside[done]).nonzero()[0]
        total = between_[at[:, None], to]
        total += best[done, at, None]
        least = total.argmin(axis=0)
        value, after = total[least, np.arange(len(to))], done | bit[to]
        better = value < best[after, to]
        after, to = after[better], to[better]
        best[after, to] = value[better]
        came[after, to] = at[least[better]]
    done, here = size - 1, int(np.argmin(best[size - 1] + cost[nodes, -1]))
    path = [len(cost) - 1]
    while here >= 0:
        path.append(int(nodes[here]))
        done, here = done & ~(1 << int(group[here])), int(came[done, here])
    return [0, *reversed(path)]


def searched_path(cost: Array, members: list[NDArray[np.int64]], rng: np.random.Generator) -> list[int]:
    """Return a short path as ``exact_path`` does, by turns: the order for fixed nodes, the nodes for a fixed order."""
    last = len(cost) - 1
    least = np.array([[cost[np.ix_(a, b)].min() for b in members] for a in members])
    chosen: list[int] = []
    best, length = [], np.inf
    for turn in range(8):
        if turn == 0:
            inner, first, end = least, [cost[0, m].min() for m in members], [cost[m, last].min() for m in members]
        else:
            inner = cost[np.ix_(chosen, chosen)]
            first, end = list(cost[0, chosen]), list(cost[chosen, last])
        whole = np.zeros((len(members) + 2, len(members) + 2))
        whole[1:-1, 1:-1] = np.minimum(0.5 * (inner + inner.T), 1e3)
        whole[0, 1:-1] = whole[1:-1, 0] = np.minimum(first, 1e3)
        whole[-1, 1:-1] = whole[1:-1, -1] = np.minimum(end, 1e3)
        np.fill_diagonal(whole, 0.0)
        order = [n - 1 for n in shortest_path(whole, 0, len(members) + 1, rng, kicks=40)[1:-1]]
        path = quickest_nodes(cost, [members[i] for i in order])
        now = float(sum(cost[a, b] for a, b in pairwise(path)))
        if now >= length - 1e-9:
            break
        best, length = path, now
        place = dict(zip(order, path[1:-1], strict=True))
        chosen = [place[i] for i in range(len(members))]
    return best


def quickest_nodes(cost: Array, groups: list[NDArray[np.int64]]) -> list[int]:
    """Return the shortest path from node 0 through one node of each group, in this order, to the last node."""
    layers = [np.array([0]), *groups, np.array([len(cost) - 1])]
    total, came = np.zeros(1), []
    for one, two in pairwise(layers):
        step = total[:, None] + cost[np.ix_(one, two)]
        came.append(np.argmin(step, axis=0))
        total = step.min(axis=0)
    here, path = 0, [len(cost) - 1]
    for layer, back in zip(reversed(layers[:-1]), reversed(came), strict=True):
        here = int(back[here])
        path.append(int(layer[here]))
    return path[::-1]
