"""The joint estimate against solvers of others' making, on the whitened residuals themselves.

- ``gtsam`` 4.3 (Georgia Tech, PyPI): a factor graph; multifrontal elimination in its own order, covariances from its
  Bayes tree.
- ``scipy.sparse.linalg.lsqr`` (Paige and Saunders 1982, ACM TOMS 8(1)) and LAPACK's QR by ``numpy.linalg.qr``: neither
  forms normal equations.

The residuals are written down here anew from sightings, tracks and register: errors keep their units and covariances,
frames without sightings stay in the track, the track's information is factored as it comes. Private frame errors are
plain unknowns, so ``PATTERN_M`` is set to zero. Tolerances: rounding of numbers whose scales span six decades; a wrong
term moves results by per cents.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Sequence

import numpy as np
import pytest
from benchmarks._sites import second_visit, site
from benchmarks._stacked import Factors
from scipy import sparse
from scipy.sparse.linalg import lsqr

from swardwright.domain.frame import Track
from swardwright.domain.uncertainty import Scope
from swardwright.domain.weed import Weed
from swardwright.merging import merge
from swardwright.merging import problem as problem_module
from swardwright.merging.joint import Joint, MergeSettings, join
from swardwright.merging.problem import FLOOR_M2, PriorWeeds, base_errors
from swardwright.merging.solve import MARGIN_M, Solution, solve

SITE, REGISTER = ("site", 0), ("register", "")


@dataclasses.dataclass(eq=False)
class Case:
    """One linear problem, written down twice: ours (solved) and the factors; where the site's errors lie in theirs."""

    joint: Joint
    track: Track
    solution: Solution
    factors: Factors
    site: dict[tuple[str, str], slice]


@pytest.fixture(scope="module", params=["first visit", "second visit", "no fixes"])
def case(request: pytest.FixtureRequest) -> Case:
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(problem_module, "PATTERN_M", 0.0)
        drawn = site(31, length_m=8.0, count=3, density_m2=3.0, fixes=request.param != "no fixes")
        known: tuple[Weed, ...] = ()
        if request.param == "second visit":
            known = merge(None, drawn.sightings, drawn.looks, tracks=[drawn.survey.track]).weeds
            drawn = second_visit(drawn, 31)
            assert any(w.shared_m is not None and np.abs(w.shared_m).max() > 1e-3 for w in known)
        track = drawn.survey.track
        joint = join(drawn.sightings, [track], PriorWeeds.of(known), drawn.looks, MergeSettings())
    assert track.shared is not None
    assert np.abs(track.shared).max() > 1e-3
    n = len(joint.solution.crowns_m)
    weight = np.random.default_rng(4).uniform(0.2, 1.0, len(joint.weed_of))
    solution = solve(joint.problem, joint.weed_of, n, weight)
    assert len(solution.normal.fronts) > 3  # large enough to be dissected
    assert set(track.frame_ids) - set(joint.problem.frames)  # and some frames saw nothing
    factors, common = written_down(joint, track, known, weight)
    return Case(joint, track, solution, factors, common)


def written_down(
    joint: Joint, track: Track, known: Sequence[Weed], weight: np.ndarray
) -> tuple[Factors, dict[tuple[str, str], slice]]:
    """Return the factors of the problem from its definitions, and the place of each error of the site."""
    places: dict[tuple[str, str], slice] = {}
    covariances: list[np.ndarray] = []

    def place(key: tuple[str, str], covariance: np.ndarray) -> None:
        if key not in places:
            at = sum(len(c) for c in covariances)
            places[key] = slice(at, at + len(covariance))
            covariances.append(np.asarray(covariance))

    modes = 0 if not known else known[0].shared_m.shape[1]  # type: ignore[union-attr]
    place(REGISTER, np.eye(modes))
    place(("drift", track.frame_ids[0]), np.eye(track.shared.shape[2]))  # type: ignore[union-attr]
    for part in joint.parts:
        for s in part.sources:
            assert s.scope in (Scope.SITE, Scope.FRAME)
            if s.scope is Scope.SITE:
                place(s.key, s.covariance)
    width = sum(len(c) for c in covariances)
    n = len(joint.solution.crowns_m)
    out = Factors({("weed", w): 3 for w in range(n)})
    private = {p.frame_id: [s for s in p.sources if s.scope is Scope.FRAME and s.key[0] != "base"] for p in joint.parts}
    size = {f: 3 + sum(len(s.covariance) for s in private.get(f, [])) for f in track.frame_ids}

    def of_base(frame_id: str, block: np.ndarray) -> np.ndarray:
        return np.column_stack([block, np.zeros((len(block), size[frame_id] - 3))])

    for w in range(n):  # unit normal heights
        out.add({("weed", w): np.array([[0.0, 0.0, 1.0]])}, np.zeros(1), np.eye(1))
    for key, at in places.items():
        if at.stop > at.start:
            out.add({SITE: np.eye(width)[at]}, np.zeros(at.stop - at.start), covariances[list(places).index(key)])
    for w, weed in enumerate(known):  # crown - shared m = mean + own
        assert weed.shared_m is not None
        assert weed.crown_m2 is not None
        own = weed.covariance_m2 - weed.crown_m2 - weed.shared_m @ weed.shared_m.T + FLOOR_M2 * np.eye(2)
        load = np.zeros((2, width))
        load[:, places[REGISTER]] = -weed.shared_m
        out.add({("weed", w): np.eye(2, 3), SITE: load}, weed.mean_m, own)
    count = len(track.frame_ids)
    information = np.zeros((3 * count, 3 * count))
    for i in range(count):
        information[3 * i : 3 * i + 3, 3 * i : 3 * i + 3] = track.diagonal[i]
        if i + 1 < count:
            information[3 * i : 3 * i + 3, 3 * i + 3 : 3 * i + 6] = track.upper[i]
            information[3 * i + 3 : 3 * i + 6, 3 * i : 3 * i + 3] = track.upper[i].T
    root = np.linalg.cholesky(information).T
    for i, f in enumerate(track.frame_ids):
        blocks = {("frame", f): of_base(f, root[3 * i : 3 * i + 3, 3 * i : 3 * i + 3])}
        if i + 1 < count:
            after = track.frame_ids[i + 1]
            blocks[("frame", after)] = of_base(after, root[3 * i : 3 * i + 3, 3 * i + 3 : 3 * i + 6])
        out.add(blocks, np.zeros(3), np.eye(3))
    for part in joint.parts:
        loading = track.shared[track.frame_ids.index(part.frame_id)]  # type: ignore[index]
        first = 3
        start: dict[tuple[str, str], int] = {}
        for s in private[part.frame_id]:
            start[s.key] = first
            rows = np.eye(size[part.frame_id])[first : first + len(s.covariance)]
            out.add({("frame", part.frame_id): rows}, np.zeros(len(rows)), s.covariance)
            first += len(s.covariance)
        for i, k in enumerate(part.members):
            common, mine = np.zeros((2, width)), np.zeros((2, size[part.frame_id]))
            for s in part.sources:
                jacobian = part.jacobian[i][:, s.columns]
                if s.scope is Scope.SITE:
                    common[:, places[s.key]] += jacobian
                elif s.key[0] == "base":
                    mine[:, :3] += jacobian
                    common[:, places[("drift", track.frame_ids[0])]] += jacobian @ loading
                else:
                    mine[:, start[s.key] : start[s.key] + len(s.covariance)] += jacobian
            crown = np.column_stack([np.eye(2), part.jacobian[i][:, -1]])
            noise = (part.local_m2[i] + FLOOR_M2 * np.eye(2)) / weight[k]
            out.add({("weed", int(joint.weed_of[k])): crown, SITE: common, ("frame", part.frame_id): mine},
                    part.position_m[i], noise)  # fmt: skip
    return out, places


def agrees(case: Case, mean: np.ndarray, covariance: np.ndarray, tolerance: float) -> None:
    """Compare crowns, heights, errors of site and bases, and covariances, with what another found (stacked order)."""
    columns, n, ours = case.factors.columns(), len(case.solution.crowns_m), case.solution
    problem = case.joint.problem
    crowns = np.array([columns[("weed", w)][:2] for w in range(n)])
    sigma = np.sqrt(np.diag(covariance))
    assert np.all(np.abs(ours.crowns_m - mean[crowns]) < tolerance * sigma[crowns])
    assert ours.heights == pytest.approx(mean[3 * np.arange(n) + 2], abs=tolerance)
    for w in range(n):
        theirs = covariance[np.ix_(crowns[w], crowns[w])]
        assert np.linalg.norm(ours.covariance_m2[w] - theirs) < tolerance * np.linalg.norm(theirs)
    for key, at in case.site.items():
        first = slice(0, problem.modes)  # the register's common errors
        place = first if key == REGISTER else slice(*problem.blocks[key])
        root, where = problem.roots.get(key, np.eye(problem.modes)), columns[SITE][at]
        if not len(where):
            continue
        assert np.all(np.abs(root @ ours.errors[place] - mean[where]) < tolerance * sigma[where])
        theirs = covariance[np.ix_(where, where)]
        spread = root @ ours.spread.corner[place, place] @ root.T
        assert np.linalg.norm(spread - theirs) < tolerance * np.linalg.norm(theirs)
    base = base_errors(problem, ours.errors)
    drift = mean[columns[SITE][case.site[("drift", case.track.frame_ids[0])]]]
    assert len(base) > 5
    for (_, f), mine in base.items():
        assert case.track.shared is not None
        where = columns[("frame", f)][:3]
        whole = mean[where] + case.track.shared[case.track.frame_ids.index(f)] @ drift
        assert np.all(np.abs(mine - whole) < tolerance * sigma[where])
    apart = np.linalg.norm(ours.crowns_m[:, None] - ours.crowns_m[None], axis=2)
    a, b = np.nonzero(np.triu(apart < 2 * MARGIN_M, 1))
    assert len(a)
    for i, j, block in zip(a, b, ours.between(a, b), strict=True):
        theirs = covariance[np.ix_(crowns[i], crowns[j])]
        scale = np.sqrt(np.outer(sigma[crowns[i]], sigma[crowns[j]]).max())
        assert np.all(np.abs(block - theirs) < tolerance * scale**2)


def test_against_gtsam(case: Case) -> None:
    gtsam = pytest.importorskip("gtsam", reason="gtsam is not installed")
    graph, keys = case.factors.graph()
    solved = graph.optimize()
    mean = np.concatenate([solved.at(keys[name]) for name in case.factors.sizes])
    joint = gtsam.Marginals(graph, solved).jointMarginalCovariance(list(keys.values()))
    agrees(case, mean, joint.fullMatrix(), 1e-6)


def test_against_lsqr_and_qr(case: Case) -> None:
    matrix, right = case.factors.stacked()
    size = np.sqrt(np.asarray(matrix.power(2).sum(axis=0)).ravel())  # columns of one length: fewer turns
    scaled = matrix @ sparse.diags_array(1.0 / size)
    mean = lsqr(scaled, right, atol=1e-15, btol=1e-15, conlim=0, iter_lim=50_000)[0] / size
    inverse = np.linalg.inv(np.linalg.qr(scaled.toarray(), mode="r")) / size[:, None]
    agrees(case, mean, inverse @ inverse.T, 1e-5)
