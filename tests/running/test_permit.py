from __future__ import annotations

import math
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from swardwright.domain.permit import FireWeather, Permit, Refusal, Weather
from swardwright.running import QUESTIONS, grant
from swardwright.running.permit import PERMIT_LIFE_S, WEATHER_AGE_MAX_S

NOW_S = 1_778_569_200.0
ANSWERS = {key: wanted for key, _, wanted in QUESTIONS}
WEATHER = Weather(NOW_S - 600.0, 289.0, 0.6, 2.0, 0.0)
CODES = FireWeather(82.0, 8.0, 60.0, 3.0, 12.0, 5.0)


def ask(kit, **changes):
    arguments = {"permit_id": "permit-1", "plan": kit.plan, "weather": WEATHER, "codes": CODES, "answers": ANSWERS,
                 "limits": kit.site.limits, "now_s": NOW_S, "signed_by": " A.  Watch "}  # fmt: skip
    return grant(**{**arguments, **changes})


def test_everything_in_order_is_granted_for_this_plan_and_a_while(kit):
    permit = ask(kit)
    assert isinstance(permit, Permit)
    assert permit.plan_id == "plan-1"
    assert permit.signed_by == "A. Watch"
    assert permit.granted_at_s == NOW_S
    assert permit.expires_at_s == NOW_S + PERMIT_LIFE_S
    assert dict(permit.answers) == ANSWERS


def test_only_the_burn_ban_is_answered_no():
    assert [key for key, _, wanted in QUESTIONS if wanted == "no"] == ["burn_ban"]
    asked = " ".join(text for _, text, _ in QUESTIONS)
    for word in ("burn ban", "30 minutes", "10.7 m", "water", "upright", "secured", "hoses", "emergency stop",
                 "shut-off", "dead-man", "local codes"):  # fmt: skip
        assert word in asked


@pytest.mark.parametrize("key", [key for key, _, _ in QUESTIONS])
@pytest.mark.parametrize("answer", [None, "", "maybe", "y e s", "wrong way round"])
def test_each_missing_or_wrong_answer_refuses(kit, key, answer):
    if answer == "wrong way round":
        answer = "yes" if ANSWERS[key] == "no" else "no"
    answers = {k: v for k, v in ANSWERS.items() if k != key} | ({} if answer is None else {key: answer})
    refusal = ask(kit, answers=answers)
    assert isinstance(refusal, Refusal)
    text = next(text for k, text, _ in QUESTIONS if k == key)
    assert any(text in reason for reason in refusal.reasons)


def test_a_ban_denied_without_asking_is_a_contradiction(kit):
    refusal = ask(kit, answers=ANSWERS | {"burn_ban_asked": "no"})
    assert any("Contradiction" in reason for reason in refusal.reasons)


def test_an_answer_that_nothing_asks_for_refuses(kit):
    assert "fire_wach" in " ".join(ask(kit, answers=ANSWERS | {"fire_wach": "yes"}).reasons)


@pytest.mark.parametrize(
    ("changes", "word"),
    [
        ({"weather": replace(WEATHER, wind_m_s=4.1)}, "Wind 4.1 m/s"),
        ({"weather": replace(WEATHER, wind_m_s=math.nan)}, "Wind"),
        ({"weather": replace(WEATHER, wind_m_s=-1.0)}, "impossible"),
        ({"weather": replace(WEATHER, humidity=60.0)}, "impossible"),
        ({"weather": replace(WEATHER, temperature_k=math.nan)}, "impossible"),
        ({"weather": replace(WEATHER, at_s=NOW_S - WEATHER_AGE_MAX_S - 1)}, "60 min"),
        ({"weather": replace(WEATHER, at_s=NOW_S + 3600)}, "future"),
        ({"weather": replace(WEATHER, at_s=math.nan)}, "unknown age"),
        ({"codes": replace(CODES, fwi=12.1)}, "Fire weather index 12.1"),
        ({"codes": replace(CODES, ffmc=88.1)}, "Fine fuel moisture code 88.1"),
        ({"codes": replace(CODES, isi=math.nan)}, "not known"),
        ({"signed_by": "  "}, "signed"),
        ({"permit_id": ""}, "number"),
        ({"now_s": math.nan}, "clock"),
    ],
)  # fmt: skip
def test_each_other_reason_refuses_with_a_remedy(kit, changes, word):
    refusal = ask(kit, **changes)
    assert isinstance(refusal, Refusal)
    assert any(word in reason for reason in refusal.reasons)
    assert all(reason.endswith((".", "?")) for reason in refusal.reasons)


def test_a_plan_without_holds_needs_no_permit(kit):
    assert "heats nothing" in " ".join(ask(kit, plan=kit.make_plan(())).reasons)


def test_a_refusal_lists_every_reason(kit):
    refusal = ask(kit, answers={}, weather=replace(WEATHER, wind_m_s=9.0), signed_by="")
    assert len(refusal.reasons) == len(QUESTIONS) + 2


@given(st.dictionaries(st.sampled_from(list(ANSWERS)), st.sampled_from(["yes", "no", "YES ", "unknown", ""])))
def test_granted_if_and_only_if_every_answer_is_the_wanted_one(kit, answers):
    plain = {k: v.strip().lower() for k, v in answers.items()}
    assert isinstance(ask(kit, answers=answers), Permit) == (plain == ANSWERS)
