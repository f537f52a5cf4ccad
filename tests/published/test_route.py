"""Orders against published optimal tours, brute force and a grid search of the ground."""

from __future__ import annotations

import itertools
import math
from pathlib import Path

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from swardwright.domain.poses import BasePose
from swardwright.domain.site import Base
from swardwright.planning.ground import FreeGround
from swardwright.planning.route import drive_round, leg, times_s
from swardwright.planning.tour import least_length, shortest_path

# TSPLIB (G. Reinelt, ORSA Journal on Computing 3 (1991) 376-384), coordinates as distributed with the library, EUC_2D:
# distances rounded to whole numbers. Optimal tours by the library's list of solutions: eil51 426, berlin52 7542, pcb442
# 50778 (drilling a circuit board, Groetschel, Juenger and Reinelt). pcb442's files are those of the Python package
# tsplib95 0.7.1 (source distribution, tests/data; Apache-2.0).
DATA = Path(__file__).parent / "data"
EIL51 = """
37 52 49 49 52 64 20 26 40 30 21 47 17 63 31 62 52 33 51 21 42 41 31 32 5 25 12 42 36 16 52 41 27 23 17 33 13
13 57 58 62 42 42 57 16 57 8 52 7 38 27 68 30 48 43 67 58 48 58 27 37 69 38 46 46 10 61 33 62 63 63 69 32 22
45 35 59 15 5 6 10 17 21 10 5 64 30 15 39 10 32 39 25 32 25 55 48 28 56 37 30 40
"""
BERLIN52 = """
565 575 25 185 345 750 945 685 845 655 880 660 25 230 525 1000 580 1175 650 1130 1605 620 1220 580 1465 200
1530 5 845 680 725 370 145 665 415 635 510 875 560 365 300 465 520 585 480 415 835 625 975 580 1215 245 1320
315 1250 400 660 180 410 250 420 555 575 665 1150 1160 700 580 685 595 685 610 770 610 795 645 720 635 760 650
475 960 95 260 875 920 700 500 555 815 830 485 1170 65 830 610 605 625 595 360 1340 725 1740 245
"""


def _rounded(text: str, columns: int = 2) -> np.ndarray:
    points = np.array(text.split(), dtype=float).reshape(-1, columns)[:, -2:]
    return np.floor(np.linalg.norm(points[:, None] - points[None], axis=2) + 0.5)


def _length(cost: np.ndarray, order: list[int]) -> float:
    return float(sum(cost[a, b] for a, b in itertools.pairwise(order)))


@pytest.mark.parametrize(("text", "count", "optimum"), [(EIL51, 51, 426.0), (BERLIN52, 52, 7542.0)])
def test_published_optimal_tours_are_reached_and_their_bound_is_below(text: str, count: int, optimum: float) -> None:
    cost = _rounded(text)
    assert len(cost) == count
    tour = shortest_path(cost, 0, None, np.random.default_rng(1), kicks=400, closed=True)
    assert sorted(tour) == list(range(count))
    length = _length(cost, [*tour, 0])
    assert optimum <= length <= 1.01 * optimum  # 1 %: what is asked of a drive is 2 %
    bound = least_length(cost, 0, length, closed=True)
    # Held-Karp bounds lie about 1 % below the optimum (Johnson and McGeoch 1997, from memory); these two at 422.5, 7542
    assert 0.98 * optimum <= bound <= optimum + 1e-6


@pytest.mark.parametrize("seed", [1, 2])
def test_four_hundred_places_come_near_their_optimal_tour(seed: int) -> None:
    text = (DATA / "pcb442.tsp").read_text()
    cost = _rounded(text.partition("NODE_COORD_SECTION")[2].replace("EOF", ""), columns=3)
    tour_text = (DATA / "pcb442.opt.tour").read_text().partition("TOUR_SECTION")[2]
    optimal = [int(v) - 1 for v in tour_text.split() if v not in ("-1", "EOF")]
    assert sorted(optimal) == list(range(442))
    assert _length(cost, [*optimal, optimal[0]]) == 50778.0  # coordinates, distances and the list of solutions agree
    tour = shortest_path(cost, 0, None, np.random.default_rng(seed), kicks=400, closed=True)
    assert sorted(tour) == list(range(442))
    # 2 %, as asked of a drive; 400 disturbances are what a plan of so many stops gets. Met: 0.4 % and 0.9 %
    assert 50778.0 <= _length(cost, [*tour, 0]) <= 1.02 * 50778.0
    # published: the Held-Karp bound of pcb442 lies 0.6 % below the optimum (Johnson and McGeoch 1997, from memory)
    assert 0.99 * 50778.0 <= least_length(cost, 0, 50778.0, closed=True, steps=300) <= 50778.0


@settings(max_examples=40, deadline=None)
@given(st.integers(2, 7), st.booleans(), st.booleans(), st.integers(0, 2**32))
def test_few_places_match_every_order_and_no_bound_is_above(n: int, plane: bool, closed: bool, seed: int) -> None:
    rng = np.random.default_rng(seed)
    points = rng.uniform(0, 10, (n, 2))
    cost = np.linalg.norm(points[:, None] - points[None], axis=2)
    if not plane:
        cost = rng.uniform(0, 10, (n, n))
        cost = cost + cost.T
        np.fill_diagonal(cost, 0.0)
    tail = [0] if closed else []
    best = min(_length(cost, [0, *rest, *tail]) for rest in itertools.permutations(range(1, n)))
    order = shortest_path(cost, 0, None, rng, closed=closed)
    assert order[0] == 0
    assert sorted(order) == list(range(n))
    assert _length(cost, [*order, *tail]) == pytest.approx(best, abs=1e-9)
    assert least_length(cost, 0, best, closed=closed) <= best + 1e-9


BASE = Base(0.8, 0.56, 0.0, 85.0, 0.5, 0.6, 150.0, 80.0, 0.0, 0.2)
WALLS = shapely.union_all([shapely.box(2, 1, 3, 6), shapely.box(5, 3, 8, 4), shapely.box(6, 6, 6.6, 9)])
GROUND = FreeGround(shapely.box(0, 0, 10, 10).difference(WALLS), (0.5, 0.5), False)


def _free_places(rng: np.random.Generator, count: int) -> np.ndarray:
    places: list[np.ndarray] = []
    while len(places) < count:
        p = rng.uniform(0.1, 9.9, 2)
        if GROUND.standable(p[None])[0]:
            places.append(p)
    return np.array(places)


def test_ways_are_as_short_as_a_fine_grid_finds_them() -> None:
    """A grid of 0.1 m whose steps lead to 32 neighbours.

    Its ways are never shorter than the true ones, and longer by at most 1.4 % (the widest angle between
    neighbouring directions is 18.4 degrees: 1 / cos 9.2 degrees) and by what rounding the ends costs: two cells.
    """
    from scipy.sparse import csr_matrix
    from scipy.sparse.csgraph import dijkstra

    cell, side = 0.1, 101
    x, y = np.meshgrid(np.arange(side), np.arange(side), indexing="ij")
    nodes = cell * np.column_stack([x.ravel(), y.ravel()])
    room = GROUND.free.buffer(1e-9)
    shapely.prepare(room)
    steps = [
        (a, b) for a in range(-3, 4) for b in range(-3, 4) if math.gcd(a, b) == 1 and (a > 0 or (a == 0 and b > 0))
    ]
    assert 2 * len(steps) == 32
    rows, cols, far = [], [], []
    for a, b in steps:
        inside = ((x + a >= 0) & (x + a < side) & (y + b >= 0) & (y + b < side)).ravel()
        i = np.flatnonzero(inside)
        j = i + a * side + b
        ok = shapely.covers(room, shapely.linestrings(np.stack([nodes[i], nodes[j]], axis=1)))
        rows.append(i[ok])
        cols.append(j[ok])
        far.append(np.full(int(ok.sum()), cell * math.hypot(a, b)))
    graph = csr_matrix((np.concatenate(far), (np.concatenate(rows), np.concatenate(cols))), shape=(side**2, side**2))
    places = np.round(_free_places(np.random.default_rng(2), 12), 1)
    places = places[GROUND.standable(places)]
    index = np.rint(places / cell).astype(int) @ np.array([side, 1])
    grid = dijkstra(graph, directed=False, indices=index)[:, index]
    mine = GROUND.ways_between(places).distance_m
    assert (mine <= grid + 1e-6).all()
    assert (grid <= 1.0141 * mine + 2 * cell).all()
    straight = np.linalg.norm(places[:, None] - places[None], axis=2)
    assert (mine > straight + 0.05).any()  # some ways do lead round a keep-out


@settings(max_examples=15, deadline=None)
@given(st.integers(1, 6), st.booleans(), st.integers(0, 2**32))
def test_a_drive_round_keep_outs_is_the_best_of_all_orders(count: int, closed: bool, seed: int) -> None:
    rng = np.random.default_rng(seed)
    stops = [BasePose(float(x), float(y), float(rng.uniform(-3, 3))) for x, y in _free_places(rng, count)]
    start = BasePose(0.5, 0.5, 0.3) if count % 2 else BasePose(-0.4, 0.5, 0.3)  # the second one off the free ground
    drive = drive_round(BASE, GROUND, start, stops, rng, closed=closed)
    poses = [start, *stops]
    cost, ways = times_s(BASE, GROUND, start, stops)
    by_hand = np.array([
        [leg(poses[i], poses[j], ways.way_m(i, j)).time_s(BASE) if i != j else 0.0 for j in range(count + 1)]
        for i in range(count + 1)
    ])  # fmt: skip
    assert np.allclose(by_hand, by_hand.T, atol=1e-9)  # a way driven backwards turns as much
    assert np.allclose(cost, by_hand, atol=1e-9)
    tail = [0] if closed else []
    best = min(_length(by_hand, [0, *rest, *tail]) for rest in itertools.permutations(range(1, count + 1)))
    assert drive.time_s == pytest.approx(best, abs=1e-9)
    assert sum(a.time_s(BASE) for a in drive.legs) == pytest.approx(drive.time_s, abs=1e-9)
    assert drive.bound_s <= best + 1e-9
