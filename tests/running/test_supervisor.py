from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from swardwright.domain.event import Drive, Heat, JournalEntry, Light, LookAgain, Note, Reach, Report, Rest
from swardwright.running import may_heat, spared_given, supervise, unfinished, with_earlier
from swardwright.running.interlocks import may_light, spared_dose_kg_m2

ALL = ["w1", "w2", "w3", "w4", "w5"]


def run(kit, faults=None, **kwargs):
    machine = kit.machine(faults=faults or {})
    record = kit.play(supervise(kit.plan, kit.register, kit.permit, kit.site, **kwargs), machine)
    return record, machine


def commands(machine):
    return [command for command, _ in machine.said]


def number_of(kit, wanted, nth=0):
    """Return the number of the nth command of a type in an undisturbed round."""
    _, machine = run(kit)
    return [i for i, c in enumerate(commands(machine)) if isinstance(c, wanted)][nth]


def test_an_undisturbed_round_treats_everything_in_the_order_of_the_contract(kit):
    record, machine = run(kit)
    assert record.completed
    assert record.reason == ""
    assert [item.weed_id for item in record.treated] == ALL
    assert record.not_treated == ()
    assert record.controls == ("control-1",)
    words = [type(c).__name__ + (f" {c.event}" if isinstance(c, Note) else "") for c in commands(machine)]
    assert words[:19] == [
        "Note round-started", "Report", "Rest", "Drive", "Note at-stop", "LookAgain", "Reach", "Report",
        "Note lighting", "Light", "Report", "Note heat-intent", "Heat", "Note heat-result", "Reach", "Report",
        "Note heat-intent", "Heat", "Note heat-result",
    ]  # fmt: skip
    # out before driving, and at the end
    drives = [i for i, c in enumerate(commands(machine)) if isinstance(c, Drive)]
    assert words[drives[1] - 3 : drives[1]] == ["Light", "Note flame-out", "Rest"]
    assert words[-3:] == ["Rest", "Light", "Note round-ended"]
    assert record.gas_kg == pytest.approx(sum(1.2e-4 * s for t in machine.heated.values() for s in t))
    assert record.scorch_m2 == pytest.approx(sum(item.scorch_m2 for item in record.treated))
    assert record.started_at_s < record.ended_at_s


def test_each_stop_is_looked_at_from_where_the_plan_says(kit):
    first = ((0.1, 0.2), (0.3, 0.4))
    stops = tuple(replace(stop, looks_rad=looks) for stop, looks in zip(kit.plan.stops, (first, None), strict=True))
    _, machine = run(replace(kit, plan=replace(kit.plan, stops=stops)))
    assert [c.looks_rad for c in commands(machine) if isinstance(c, LookAgain)] == [first, None]


def test_the_dwell_is_decided_again_on_the_fresh_aim(kit):
    record, _ = run(kit)
    vague, _ = run(replace(kit, machine=lambda faults: _vaguer(kit, faults)))
    for sure, unsure in zip(record.treated, vague.treated, strict=True):
        assert unsure.hold_s > sure.hold_s  # a less certain aim needs a longer dwell
        # reckoned anew from what was given, by 4096 draws: 0.2 %
        assert sure.kill == pytest.approx(kit.site.limits.kill_target, abs=0.002)
        assert unsure.kill == pytest.approx(kit.site.limits.kill_target, abs=0.002)


def _vaguer(kit, faults):
    machine = kit.machine(faults=faults)
    sharp = machine._aims
    machine._aims = lambda fault: tuple(replace(a, covariance_m2=9 * a.covariance_m2) for a in sharp(fault))
    return machine


@pytest.mark.parametrize(
    ("fault", "word"),
    [
        ("unseen", "did not see"), ("vague", "uncertain"), ("spare after all", "spare"), ("missing", "did not find"),
        ("aim nan", "not a number"), ("twice", "more than one place"), ("daisy beside", "d2"),
    ],
)  # fmt: skip
def test_a_local_refusal_costs_one_weed_and_says_why(kit, fault, word):
    record, machine = run(kit, {number_of(kit, LookAgain): fault})
    assert record.completed
    assert [item.weed_id for item in record.treated] == ALL[1:]
    (missed,) = record.not_treated
    assert missed.weed_id == "w1"
    assert word in missed.reason
    assert not missed.unknown
    assert any(c.event == "not-treated" and c.weed_id == "w1" for c in commands(machine) if isinstance(c, Note))


@pytest.mark.parametrize(
    ("fault", "word"),
    [
        ("pressed", "emergency stop"), ("stop unknown", "emergency stop"), ("released", "dead-man"),
        ("dead man unknown", "dead-man"), ("person", "person"), ("person unknown", "person"), ("wind", "wind"),
        ("wind nan", "wind"), ("no gas", "gas"), ("gas unknown", "gas"), ("battery", "battery"), ("stale", "old"),
        ("backwards", "backwards"), ("expired", "permit"), ("base nan", "base"), ("joints nan", "joint"),
        ("flame out", "pilot"), ("flame unknown", "pilot"), ("failed", "failed"), ("raised before", "fault"),
        ("no state", "state"),
    ],
)  # fmt: skip
def test_a_global_refusal_ends_the_round_with_the_flame_out(kit, fault, word):
    # the report right before the third heat
    before = number_of(kit, Heat, 2) - 2
    record, machine = run(kit, {before: fault})
    assert not record.completed
    assert word in record.reason
    assert [item.weed_id for item in record.treated] == ["w1", "w2"]
    assert {item.weed_id for item in record.not_treated} == {"w3", "w4", "w5"}
    assert all(record.reason in item.reason for item in record.not_treated)
    assert machine.state.flame_lit is False
    assert not any(isinstance(c, Heat | Drive | Reach) for c in commands(machine)[before + 1 :])


@pytest.mark.parametrize("fault", ["no report", "nan", "too long", "raised before", "raised after"])
def test_heat_without_a_credible_result_is_unknown_and_never_repeated(kit, fault):
    record, machine = run(kit, {number_of(kit, Heat, 1): fault})
    assert not record.completed
    unknown = [item.weed_id for item in record.not_treated if item.unknown]
    assert unknown == ["w2"]
    assert machine.state.flame_lit is False
    done, left = unfinished(machine.journal)
    assert done == {"w1"}
    assert left == {"w2"}
    again, second = run(kit, done=done, unknown=left)
    assert again.completed
    assert set(second.heated) == {"w3", "w4", "w5"}
    assert [(item.weed_id, item.unknown) for item in again.not_treated] == [("w2", True)]
    whole = with_earlier(again, machine.journal)
    assert [item.weed_id for item in whole.treated] == ["w1", "w3", "w4", "w5"]
    assert whole.treated[0].hold_s == pytest.approx(record.treated[0].hold_s)
    assert whole.gas_kg == pytest.approx(again.gas_kg + record.treated[0].gas_kg)
    assert whole.started_at_s <= again.started_at_s


def test_heat_cut_short_is_recorded_as_given_and_ends_the_round(kit):
    record, machine = run(kit, {number_of(kit, Heat): "cut short"})
    full, _ = run(kit)
    assert "cut short" in record.reason
    (part,) = record.treated
    assert part.hold_s == pytest.approx(0.4 * full.treated[0].hold_s)
    assert part.kill < full.treated[0].kill
    assert unfinished(machine.journal) == ({"w1"}, frozenset())


def test_heat_that_never_began_may_be_tried_again(kit):
    record, machine = run(kit, {number_of(kit, Heat): "not begun"})
    assert record.treated == ()
    assert unfinished(machine.journal) == (frozenset(), frozenset())


def test_a_journal_that_cannot_be_written_means_no_heat(kit):
    record, machine = run(kit, {number_of(kit, Heat) - 1: "failed"})
    assert "journal" in record.reason
    assert machine.heated == {}


def test_declining_a_reach_costs_the_weed_and_failing_it_the_round(kit):
    reach = number_of(kit, Reach)
    declined, _ = run(kit, {reach: "declined"})
    failed, _ = run(kit, {reach: "failed"})
    assert declined.completed
    assert [item.weed_id for item in declined.not_treated] == ["w1"]
    assert not failed.completed
    assert failed.treated == ()


def test_declining_a_look_costs_the_stop(kit):
    record, _ = run(kit, {number_of(kit, LookAgain): "declined"})
    assert record.completed
    assert [item.weed_id for item in record.treated] == ["w4", "w5"]


def test_a_flame_that_cannot_be_confirmed_out_is_shouted_about(kit):
    _, machine = run(kit)
    outs = [i for i, c in enumerate(commands(machine)) if isinstance(c, Light) and not c.on]
    faults = {i: "does not light" for i in range(outs[0], outs[0] + 12)}
    record, machine = run(kit, faults)
    assert not record.completed
    assert "close the gas at the cylinder" in record.reason
    assert not any(isinstance(c, Drive) for c in commands(machine)[outs[0] :])


def test_an_older_register_and_a_weed_it_does_not_have_are_refused(kit):
    machine = kit.machine()
    older = replace(kit.register, revision=2)
    record = kit.play(supervise(kit.plan, older, kit.permit, kit.site), machine)
    assert "revision" in record.reason
    machine = kit.machine()
    without = replace(kit.register, weeds=kit.register.weeds[1:])
    record = kit.play(supervise(kit.plan, without, kit.permit, kit.site), machine)
    assert "w1" in record.reason
    assert len(record.not_treated) == 5


def test_a_spared_plant_that_the_look_forgot_still_counts(kit):
    daisies = [replace(w, mean_m=w.mean_m + 0.02, kinds=(("daisy", 1.0),)) for w in kit.register.weeds if w.id == "w1"]
    register = replace(kit.register, weeds=(*kit.register.weeds, replace(daisies[0], id="d9")))
    record = kit.play(supervise(kit.plan, register, kit.permit, kit.site), kit.machine())
    assert [item.weed_id for item in record.not_treated] == ["w1"]
    assert "d9" in record.not_treated[0].reason


def test_what_a_spared_plant_got_adds_up_over_the_round(kit):
    # a daisy halfway between w1 and w3 may get each of the two holds, but not both
    daisy = kit.make_aim("d5", 0.55, 0.2, kind="daisy")

    def play(spare_dose_kg_m2):
        site = replace(kit.site, limits=replace(kit.site.limits, spare_dose_kg_m2=spare_dose_kg_m2))
        machine = kit.machine()
        machine._aims = lambda fault, see=machine._aims: (*see(fault), daisy)
        return kit.play(supervise(kit.plan, kit.register, kit.permit, site), machine)

    free = play(1.0)
    once = spared_dose_kg_m2(kit.site.rig.head, free.treated[0].hold_s, np.array([0.6, 0.1]), daisy)
    refused = play(1.5 * once).not_treated
    assert [item.weed_id for item in refused] == ["w3"]
    assert "d5" in refused[0].reason
    assert play(2.5 * once).not_treated == ()


def test_what_a_spared_plant_got_before_an_interruption_still_counts(kit):
    daisy = kit.make_aim("d5", 0.55, 0.2, kind="daisy")

    def machine():
        it = kit.machine()
        it._aims = lambda fault, see=it._aims: (*see(fault), daisy)
        return it

    def site(spare_dose_kg_m2):
        return replace(kit.site, limits=replace(kit.site.limits, spare_dose_kg_m2=spare_dose_kg_m2))

    # the first run's notes, as the driver would have written them, up to w1's intent: then the power goes
    notes, supervision, it = [], supervise(kit.plan, kit.register, kit.permit, site(1.0)), machine()
    command = next(supervision)
    while not (isinstance(command, Note) and command.event == "heat-intent"):
        command = supervision.send(it.answer(command))
    notes.append(JournalEntry(1, 1.0, command.event, command.weed_id, command.stop_id, command.data))
    had = spared_given(notes)
    _, unknown = unfinished(notes)
    assert had["d5"] > 0.0

    limit = 1.5 * had["d5"]  # room for one such hold, not for two
    resumed = {"unknown": unknown, "given_kg_m2": had}
    record = kit.play(supervise(kit.plan, kit.register, kit.permit, site(limit), **resumed), machine())
    assert {i.weed_id for i in record.not_treated if "d5" in i.reason} == {"w3"}
    fresh = kit.play(supervise(kit.plan, kit.register, kit.permit, site(limit), unknown=unknown), machine())
    assert not any("d5" in i.reason for i in fresh.not_treated)


def test_closing_the_generator_does_not_hide_a_fault_of_this_program(kit):
    supervision = supervise(kit.plan, kit.register, kit.permit, kit.site)
    next(supervision)
    # an exception that is not the robot's: the flame is put out, then the exception goes on
    command = supervision.throw(ZeroDivisionError("ours"))
    assert command == Light(False)
    machine = kit.machine()
    machine.state = replace(machine.state, flame_lit=True)
    command = supervision.send(machine.answer(command))
    with pytest.raises(ZeroDivisionError):
        supervision.send(machine.answer(command))
    fresh = supervise(kit.plan, kit.register, kit.permit, kit.site)
    next(fresh)
    fresh.close()  # must not yield: the driver puts the flame out


def test_the_emergency_stop_while_the_flame_is_put_out_ends_the_round(kit):
    # found by the test below: the answer to Light(False) at the end of a stop was not looked at
    record, _ = run(kit, {number_of(kit, Light, 1): "pressed"})
    assert "emergency stop" in record.reason
    assert [item.weed_id for item in record.treated] == ["w1", "w2", "w3"]


def test_the_pilot_is_put_out_for_a_gap_in_which_relighting_costs_less(kit):
    """5 mg/s of pilot against 3 s of ignition: at no price of time relighting pays from 3 s on, moves here are 3 s."""
    free = replace(kit.site, limits=replace(kit.site.limits, hour_price=0.0))
    far = replace(kit.plan.stops[0].holds[1], move_s=3.1)
    stop = kit.plan.stops[0]
    plan = replace(kit.plan, stops=(replace(stop, holds=(stop.holds[0], far, stop.holds[2])), *kit.plan.stops[1:]))

    def lights(site, plan):
        machine = kit.machine()
        record = kit.play(supervise(plan, kit.register, kit.permit, site), machine)
        assert [item.weed_id for item in record.treated] == ALL
        return [(i, c.on) for i, c in enumerate(commands(machine)) if isinstance(c, Light)], commands(machine)

    assert free.rig.gas.price > 0.0
    assert [on for _, on in lights(free, kit.plan)[0]] == [
        True,
        False,
        True,
        False,
        False,
    ]  # once a stop, and at the end
    said, order = lights(free, plan)
    assert [on for _, on in said] == [True, False, True, False, True, False, False]
    out, again = said[1][0], said[2][0]
    heats = [i for i, c in enumerate(order) if isinstance(c, Heat)]
    assert heats[0] < out < again < heats[1]
    assert any(isinstance(c, Reach) for c in order[out:again])  # the arm goes there with the flame out
    dear = replace(kit.site, limits=replace(kit.site.limits, hour_price=20.0))
    assert [on for _, on in lights(dear, plan)[0]] == [True, False, True, False, False]


@settings(max_examples=200, deadline=None)
@given(data=st.data())
def test_whatever_goes_wrong(kit, data):
    """Random faults at random commands; Hypothesis shrinks what it finds."""
    faults = data.draw(st.dictionaries(st.integers(0, 60), st.sampled_from(kit.faults), max_size=4))
    done = data.draw(st.sets(st.sampled_from(ALL), max_size=2))
    unknown = data.draw(st.sets(st.sampled_from(ALL), max_size=2)) - done
    keeps_its_promises(kit, faults, done, unknown)


def test_thousands_of_fault_sequences(kit):
    """The same, every fault equally often."""
    rng = np.random.default_rng(20260512)
    for _ in range(1000):
        places = rng.choice(48, size=rng.integers(0, 5), replace=False)
        faults = {int(place): str(rng.choice(kit.faults)) for place in places}
        done, unknown = (set(rng.choice(ALL, size=rng.integers(0, 2), replace=False).tolist()) for _ in range(2))
        keeps_its_promises(kit, faults, done, unknown - done)


def keeps_its_promises(kit, faults, done, unknown):
    record, machine = run(kit, faults, done=frozenset(done), unknown=frozenset(unknown))
    said = machine.said

    # every planned hold that was not done ends exactly once; done and unknown ones get no heat
    ends = [item.weed_id for item in record.treated] + [item.weed_id for item in record.not_treated]
    assert sorted(ends) == sorted(set(ALL) - done)
    assert not (set(machine.heated) & (done | unknown))
    assert all(len(times) == 1 for times in machine.heated.values())
    assert all(item.reason for item in record.not_treated)
    assert unknown & {item.weed_id for item in record.not_treated if not item.unknown} == set() or not record.completed

    stopped = False
    for i, (command, answer) in enumerate(said):
        if isinstance(command, Heat):
            assert not stopped, "heat after the emergency stop"
            note, noted = said[i - 1]
            assert isinstance(note, Note)
            assert (note.event, note.weed_id) == ("heat-intent", command.weed_id)
            assert noted is not None
            assert noted.ok
            report, seen = said[i - 2]
            assert isinstance(report, Report)
            assert seen is not None
            assert may_light(seen.state, kit.plan, kit.permit, kit.site) is None
            assert seen.state.flame_lit is True
        if isinstance(command, Drive):
            assert isinstance(said[i - 1][0], Rest)
            lit = [c.on for c, a in said[:i] if isinstance(c, Light)]
            assert not lit or lit[-1] is False, "driving with the flame lit"
        state = answer.state if answer is not None else None
        stopped = stopped or (state is not None and state.emergency_stop is not False)

    # the flame: out at the end, or the record says that nobody knows
    lights = [(c, a) for c, a in said if isinstance(c, Light)]
    assert lights[-1][0] == Light(False)
    assert machine.state.flame_lit is False or "close the gas" in record.reason
    assert record.completed == (record.reason == "")
    if not faults:
        assert record.completed

    # what the journal says agrees with what happened: nothing heated is taken for untouched
    finished, left = unfinished(machine.journal)
    touched = {weed for weed, times in machine.heated.items() if sum(times) > 0.0}
    assert touched <= finished | left
    assert not finished & left


def test_may_heat_agrees_with_the_supervisor_on_a_good_state(kit):
    machine = kit.machine()
    state = replace(machine.state, base=kit.plan.stops[0].base, joints_rad=(0.6, 0.1), flame_lit=True)
    aim = kit.make_aim("w1", 0.6, 0.1)
    hold = kit.plan.stops[0].holds[0]
    assert may_heat(state, aim, hold, kit.plan, kit.permit, kit.site, in_view=[aim]) is None
