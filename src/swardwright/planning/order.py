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

from swardwright.domain.lean import lean_axes
from swardwright.domain.poses import Array
from swardwright.domain.site import Rig
from swardwright.planning.descent import missing
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
#: turns of the arm in itself that are tried about the postures of the best order, rad; and singular values that count
#: as none, of the largest
_TURNS_RAD = (0.15, 0.5)
_NULL = 1e-6
#: two postures nearer than this in time are the same, s
_SAME_S = 0.03


#: postures (k, dof) that the arm may begin from, and what each takes before (k,), s
Begins = tuple[Array, Array]


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
    begin : int
        Row of the beginning that the first one starts from.
    refused : dict[int, str]
        Rows of aims to which no motion leads, with the reason.
    """

    order: list[int]
    joints_rad: Array
    motions: list[Motion]
    refused: dict[int, str]
    begin: int = 0


def order_work(
    rig: Rig, aims_m: Array, given_rad: Array, begin_rad: Array, end_rad: Array, rng: np.random.Generator,
    lead_s: Array | None = None,
) -> Work:  # fmt: skip
    """Choose order and postures so that the arm moves for the shortest time.

    Parameters
    ----------
    aims_m, given_rad : Array
        Shapes (n, 2) and (n, dof): aims, base axes, and a usable posture over each.
    begin_rad, end_rad : Array
        Shapes (dof,) or (k, dof), and (dof,): where the arm is before, or may be, and goes after, the flame out.
    lead_s : Array | None
        Shape (k,): what each beginning takes before; chosen with order and postures.
    """
    begin_rad = np.atleast_2d(begin_rad)
    lead_s = np.zeros(len(begin_rad)) if lead_s is None else lead_s
    begins = (begin_rad, lead_s)
    groups = offer_postures(rig, aims_m, given_rad)
    left = list(range(len(aims_m)))
    refused: dict[int, str] = {}
    while left:
        graph = _Graph(rig, [groups[row] for row in left], begins, end_rad)
        path = graph.best(rng)
        blocked = graph.blocked(path)
        if not blocked:
            order = [left[graph.group[node]] for node in path[1:-1]]
            graph, path = _polished(rig, aims_m[order], graph, path, begins, end_rad)
            motions = [m for a, b in pairwise(path) if isinstance(m := graph.motion(a, b), Motion)]
            return Work(order, graph.joints[path[1:-1]], motions, refused, int(graph.begin[path[1]]))
        a, b = blocked[0]
        bad = graph.group[b] if b != graph.last else graph.group[a]
        refused[left[bad]] = f"the arm finds no way to it: {graph.motion(a, b)}"
        del left[bad]
    return Work([], np.empty((0, begin_rad.shape[1])), [], refused)


def _polished(
    rig: Rig, aims_m: Array, graph: _Graph, path: list[int], begins: Begins, end_rad: Array
) -> tuple[_Graph, list[int]]:
    """Return the quickest checked path through the aims (n, 2) of a checked path, in its order, and its graph.

    Over its postures and others about them: those that keep the head over its aim while the arm turns in itself, and
    those found from between the postures before and after. It never gets slower.
    """
    joints = graph.joints[path[1:-1]]
    before = np.concatenate([begins[0][graph.begin[path[1]]][None], joints[:-1]])
    after = np.concatenate([joints[1:], end_rad[None]])
    starts = [
        np.stack([a, b, 0.5 * (a + b), (a + b + here) / 3.0, *(here + turn)])
        for here, a, b, turn in zip(joints, before, after, _turns(rig, aims_m, joints), strict=True)
    ]
    groups = [here[None] for here in joints]
    _widen(rig, aims_m, groups, starts)
    near = _Graph(rig, groups, begins, end_rad)
    near.know(graph, path)
    return near, near.best(None)


def _turns(rig: Rig, aims_m: Array, joints_rad: Array) -> Array:
    """Return small turns (n, k, dof) of postures (n, dof) that leave the head's point and axis where they are.

    To first order: along the null space of the Jacobian of both (Nakamura 1991, from memory), both ways, so that the
    joint that turns most turns by each of ``_TURNS_RAD``.
    """
    target = np.concatenate([aims_m, np.zeros((len(aims_m), 1))], axis=1)
    middle = lean_axes(rig.base, aims_m, 0.0)
    _, jacobian = missing(rig.arm, rig.head.link, rig.head.working_point_m, joints_rad, target, middle, 0.0)
    _, strength, axes = np.linalg.svd(jacobian)
    free = axes.shape[-1] - int((strength > _NULL * strength[:, :1]).sum(axis=1).max())
    along = axes[:, axes.shape[-1] - free :]
    along = along / np.abs(along).max(axis=2, keepdims=True)
    steps = np.array([*_TURNS_RAD, *(-turn for turn in _TURNS_RAD)])
    out: Array = (along[:, :, None] * steps[:, None]).reshape(len(joints_rad), -1, joints_rad.shape[1])
    return out


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
    """Begin (node 0), the postures of all groups, end (last node), and the times of the motions between them.

    Node 0 is whichever of the beginnings is best for the node that comes after it: ``begin`` says which.
    """

    def __init__(self, rig: Rig, groups: list[Array], begins: Begins, end_rad: Array) -> None:
        self._rig = rig
        self._begins = begins
        self.joints = np.concatenate([begins[0][:1], *groups, end_rad[None]])
        self.last = len(self.joints) - 1
        self.group = [-1, *(i for i, group in enumerate(groups) for _ in group), -1]
        inner = self.joints[1:-1]
        self._lifted = self.joints.copy()
        up = lift(rig, inner)
        clear = np.array([not text for text in hindrances(rig, inner, up, lit=True)], dtype=bool)
        self._lifted[1:-1] = np.where(clear[:, None], up, inner)
        up = self._lifted
        self.cost = paced_s(rig, [self.joints[:, None], up[:, None], up[None], self.joints[None]])
        first = begins[0][:, None]
        self._first_s = begins[1][:, None] + paced_s(rig, [first, first, up[None], self.joints[None]])
        self.begin = self._first_s.argmin(axis=0)
        self.cost[0] = self._first_s.min(axis=0)
        self._known: dict[tuple[int, int], Motion | str] = {}

    def motion(self, a: int, b: int) -> Motion | str:
        """Return the checked motion from node a to node b, or why there is none."""
        if a == 0 and (a, b) not in self._known:
            self._known[a, b] = self._first(b)
        if (a, b) not in self._known:
            lit = a != 0 and b != self.last
            head, tail = [self.joints[a], self._lifted[a]], [self._lifted[b], self.joints[b]]
            made = between(self._rig, head, tail, lit=lit)
            self._known[a, b] = made
            self.cost[a, b] = made.time_s if isinstance(made, Motion) else _BLOCKED_S
        return self._known[a, b]

    def _first(self, b: int) -> Motion | str:
        """Return the checked motion to node b from the beginning that is best for it, what leads there counted."""
        best: Motion | str = ""
        self.cost[0, b] = _BLOCKED_S
        for row in np.argsort(self._first_s[:, b]):
            if self._first_s[row, b] >= self.cost[0, b]:
                break
            here = self._begins[0][row]
            made = between(self._rig, [here, here], [self._lifted[b], self.joints[b]], lit=False)
            if isinstance(made, str):
                best = best or made
            elif self._begins[1][row] + made.time_s < self.cost[0, b]:
                best, self.begin[b] = made, row
                self.cost[0, b] = self._begins[1][row] + made.time_s
        return best

    def _quickest(self, rng: np.random.Generator) -> list[int]:
        """Return the quickest path by the times known so far."""
        count = max(self.group) + 1
        members = [np.array([n for n, g in enumerate(self.group) if g == i], dtype=np.int64) for i in range(count)]
        return exact_path(self.cost, members) if count <= _EXACT else searched_path(self.cost, members, rng)

    def know(self, other: _Graph, path: list[int]) -> None:
        """Take over the checked motions of a path through the first posture of each group, in their order."""
        first = [0, *(self.group.index(group) for group in range(max(self.group) + 1)), self.last]
        for (a, b), (c, d) in zip(pairwise(path), pairwise(first), strict=True):
            self._known[c, d], self.cost[c, d] = other.motion(a, b), other.cost[a, b]
        self.begin[first[1]] = other.begin[path[1]]

    def blocked(self, path: list[int]) -> list[tuple[int, int]]:
        """Return the steps of a path to which no motion leads."""
        return [(a, b) for a, b in pairwise(path) if isinstance(self.motion(a, b), str)]

    def quickest(self, rng: np.random.Generator | None) -> list[int]:
        """Return the quickest path through one node of each group by the times known so far.

        Parameters
        ----------
        rng : np.random.Generator | None
            For the order of many groups; None: they are gone through as they are numbered.
        """
        count, number = max(self.group) + 1, np.array(self.group)
        members = [np.flatnonzero(number == group) for group in range(count)]
        if rng is None:
            return quickest_nodes(self.cost, members)
        return exact_path(self.cost, members) if count <= _EXACT else searched_path(self.cost, members, rng)

    def best(self, rng: np.random.Generator | None) -> list[int]:
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
