from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from swardwright.domain.errors import InputError
from swardwright.domain.event import NotTreated, RoundRecord, Treated
from swardwright.domain.weed import Look, Register, Weed
from swardwright.scoring import score, wilson
from swardwright.scoring.matching import match, times_looked_at

GATE_M = 0.05


def weed(weed_id, x, y, presence=0.97, kind="plantain", sigma_m=0.008):
    return Weed(weed_id, np.array([x, y]), sigma_m**2 * np.eye(2), 0.03, 0.005, presence, ((kind, 1.0),))


def look(x0, y0, x1, y1, p=0.9):
    return Look(f"f{x0}-{y0}", np.array([[x0, y0], [x1, y0], [x1, y1], [x0, y1]]), p, 0.1)


def record(treated, controls=(), unknown=()):
    return RoundRecord(
        "p", "q", 0.0, 1.0, tuple(Treated(w, "s", 1.0, 1e-4, 0.01, 0.95, 0.0) for w in treated),
        tuple(NotTreated(w, "s", "no result", True) for w in unknown), tuple(controls), 0.1, 0.0, True,
    )  # fmt: skip


# Ten weeds in a row, 20 cm apart: w0-w6 treated, w7-w9 controls.
BEFORE = Register(1, tuple(weed(f"w{i}", 1.0 + 0.2 * i, 1.0) for i in range(10)))
ROUND = record([f"w{i}" for i in range(7)], ["w7", "w8", "w9"])
LOOKS = [look(0, 0, 5, 5), look(0, 0.5, 5, 4)]


def later(*numbers, shift=0.0, presence=0.95):
    return Register(2, tuple(weed(f"a{i}", 1.0 + 0.2 * i + shift, 1.0, presence) for i in numbers))


def test_hand_worked_round():
    # of seven treated w2 lives; of three controls w7 is gone
    outcome = score(BEFORE, ROUND, later(2, 8, 9, shift=0.01), LOOKS, gate_m=GATE_M)
    assert (outcome.treated, outcome.treated_dead) == (7, 6)
    assert (outcome.controls, outcome.controls_dead) == (3, 1)
    assert outcome.kill_rate == pytest.approx(6 / 7)
    assert (outcome.kill_low, outcome.kill_high) == wilson(6, 7)
    # Abbott: (2/3 - 1/7) / (2/3)
    assert outcome.corrected == pytest.approx((2 / 3 - 1 / 7) / (2 / 3))
    assert [f.fate for f in outcome.fates] == ["dead"] * 2 + ["alive"] + ["dead"] * 5 + ["alive"] * 2
    assert [f.treated for f in outcome.fates] == [True] * 7 + [False] * 3
    assert outcome.new_weeds == ()
    assert (outcome.before_revision, outcome.after_revision) == (1, 2)


def test_a_place_that_was_not_looked_at_is_in_no_rate():
    # nothing is found later, and only the first four places were in view
    outcome = score(BEFORE, ROUND, Register(2, ()), [look(0, 0, 1.7, 5)], gate_m=GATE_M)
    assert (outcome.treated, outcome.treated_dead) == (4, 4)
    assert outcome.controls == 0
    assert outcome.corrected is None
    assert [f.fate for f in outcome.fates] == ["dead"] * 4 + ["not seen"] * 6
    assert any("not looked at again" in note for note in outcome.notes)
    # four looked at once by a detector that finds 9 of 10: 0.4 of them may be alive
    assert any("up to 0.4" in note for note in outcome.notes)


def test_nothing_treated_has_no_rate():
    outcome = score(BEFORE, record([], ["w7"]), later(7), LOOKS, gate_m=GATE_M)
    assert outcome.kill_rate is None
    assert outcome.kill_low is None
    assert outcome.corrected is None


def test_all_controls_gone_gives_no_correction():
    outcome = score(BEFORE, ROUND, Register(2, ()), LOOKS, gate_m=GATE_M)
    assert outcome.kill_rate == 1.0
    assert outcome.corrected is None
    assert any("says nothing" in note for note in outcome.notes)


def test_a_faint_later_plant_does_not_count_as_alive():
    assert score(BEFORE, ROUND, later(2, presence=0.49), LOOKS, gate_m=GATE_M).treated_dead == 7
    assert score(BEFORE, ROUND, later(2, presence=0.50), LOOKS, gate_m=GATE_M).treated_dead == 6


def test_new_weeds_are_those_that_match_none_before():
    doubtful = replace(BEFORE, weeds=(*BEFORE.weeds, weed("w10", 3.5, 3.0, presence=0.2)))
    after = Register(2, (*later(7).weeds, weed("n1", 4.0, 4.0), weed("n2", 3.51, 3.0), weed("n3", 2.0, 2.0, 0.1)))
    outcome = score(doubtful, ROUND, after, LOOKS, gate_m=GATE_M)
    assert outcome.new_weeds == ("n1",)  # n2 explains a doubtful one, n3 is no plant


def test_a_weed_alive_within_the_gate_counts_however_sure_the_covariances_are():
    sure = Register(1, tuple(replace(w, covariance_m2=1e-6 * np.eye(2)) for w in BEFORE.weeds))
    after = Register(2, (replace(later(2, shift=0.04).weeds[0], covariance_m2=1e-6 * np.eye(2)),))
    outcome = score(sure, ROUND, after, LOOKS, gate_m=GATE_M)
    assert outcome.treated_dead == 6
    assert any("farther apart" in note for note in outcome.notes)


def test_weeds_of_unknown_heat_are_in_no_rate_and_told_about():
    outcome = score(BEFORE, record(["w0"], (), ["w1"]), Register(2, ()), LOOKS, gate_m=GATE_M)
    assert outcome.treated == 1
    assert {f.weed_id for f in outcome.fates} == {"w0"}
    assert any("unknown heat" in note for note in outcome.notes)


def test_taproots_are_said_to_regrow():
    root = Register(1, tuple(replace(w, kinds=(("dandelion", 1.0),)) for w in BEFORE.weeds))
    told = score(root, ROUND, Register(2, ()), LOOKS, gate_m=GATE_M, taproot_kinds={"dandelion"})
    assert any("7 of the dead" in note and "revisit" in note for note in told.notes)
    plain = score(root, ROUND, Register(2, ()), LOOKS, gate_m=GATE_M)
    assert not any("revisit" in note for note in plain.notes)


def test_the_record_must_belong_to_the_register():
    with pytest.raises(InputError) as caught:
        score(BEFORE, record(["w99"]), later(1), LOOKS, gate_m=GATE_M)
    assert "w99" in caught.value.sentence()
    assert caught.value.remedy
    for gate in (0.0, -1.0, float("nan"), float("inf")):
        with pytest.raises(InputError):
            score(BEFORE, ROUND, later(1), LOOKS, gate_m=gate)


def test_assignment_is_global_not_nearest_first():
    # b is nearest to a1, but then c would have no partner
    before = [weed("b", 0.00, 0.0), weed("c", 0.05, 0.0)]
    after = [weed("a1", 0.020, 0.0), weed("a0", -0.025, 0.0)]
    pairs = {k: v for k, (v, _) in match(before, after, GATE_M).items()}
    assert pairs == {"b": "a0", "c": "a1"}


def test_matching_agrees_with_trying_every_assignment():
    from itertools import permutations

    rng = np.random.default_rng(3)
    for _ in range(30):
        before = [weed(f"b{i}", *rng.uniform(0, 0.12, 2), sigma_m=rng.uniform(0.005, 0.02)) for i in range(4)]
        after = [weed(f"a{i}", *rng.uniform(0, 0.12, 2), sigma_m=rng.uniform(0.005, 0.02)) for i in range(5)]
        best = (0, 0.0)
        for order in permutations(range(5), 4):
            count, cost = 0, 0.0
            for b, j in zip(before, order, strict=True):
                offset = b.mean_m - after[j].mean_m
                if np.linalg.norm(offset) <= GATE_M:
                    total = b.covariance_m2 + after[j].covariance_m2 + 1e-8 * np.eye(2)
                    count, cost = count + 1, cost + float(offset @ np.linalg.solve(total, offset))
            best = min(best, (-count, cost))
        pairs = match(before, after, GATE_M)
        assert len(pairs) == -best[0]
        assert sum(d2 for _, d2 in pairs.values()) == pytest.approx(best[1], abs=1e-9)


def test_looks_count_inside_outlines_only():
    places = [weed("in", 1.0, 1.0), weed("edge", 4.5, 4.5), weed("out", 9.0, 9.0)]
    counts, missed = times_looked_at(places, LOOKS)
    assert counts.tolist() == [2, 1, 0]
    assert missed == pytest.approx([0.01, 0.1, 1.0])
