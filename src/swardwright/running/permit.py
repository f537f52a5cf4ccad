"""The hot-work permission for one round: questions a person answers, weather limits, signature, expiry.

A permit here is a record that somebody looked, asked and signed. It is not a safety function and gives no right to
burn: local codes, the authority having jurisdiction and licensed gas practice go before it. No published numeric wind
limit for flaming was found: the weather limits are the user's, and the person on watch may stop the round at any time.
"""

from __future__ import annotations

import math

from swardwright.domain.permit import FireWeather, Permit, Refusal, Weather
from swardwright.domain.plan import Plan
from swardwright.domain.site import Limits
from swardwright.running.fire_weather import ignition_words

#: (key, question, wanted answer, remedy)
_QUESTIONS = (
    (
        "burn_ban_asked",
        "Have you asked the authority having jurisdiction today whether a burn ban or fire restriction is in force?",
        "yes",
        "ask the fire authority and answer again",
    ),
    (
        "burn_ban",
        "Is a burn ban or fire restriction in force here?",
        "no",
        "do not light a flame; wait until the authority lifts it",
    ),
    (
        "local_rules",
        "Have you checked that local codes and whoever owns the ground allow an open flame here today?",
        "yes",
        "check local codes and get the owner's leave in writing",
    ),
    # 29 CFR 1910.252(a)(2)(iii)(B): at least half an hour. NFPA 51B-2019 asks for an hour (secondary source).
    (
        "fire_watch",
        "Is a fire watch present who has no other task, and stays at least 30 minutes after the last flame "
        "(longer where local codes ask for it)?",
        "yes",
        "find a person to stand watch for the round and at least 30 minutes after it",
    ),
    (
        "water",
        "Is water at hand: a charged hose or a full extinguisher within the fire watch's reach?",
        "yes",
        "bring water to the work and test it",
    ),
    # 29 CFR 1915.504: 35 ft.
    (
        "clear",
        "Are people, animals and everything that burns at least 10.7 m (35 ft) away, or shielded from the flame?",
        "yes",
        "move them away or shield them",
    ),
    (
        "cylinder",
        "Is the gas cylinder upright, secured, away from flame and from ground burned today, and are hoses and joints "
        "checked for leaks?",
        "yes",
        "set the cylinder up by licensed gas practice and check hoses and joints",
    ),
    (
        "emergency_stop",
        "Was the hardware emergency stop tested today?",
        "yes",
        "test the emergency stop with the gas closed",
    ),
    (
        "gas_shut_off",
        "Was the hardware gas shut-off valve tested today?",
        "yes",
        "test the shut-off valve",
    ),
    (
        "dead_man",
        "Was the hardware dead-man switch tested today?",
        "yes",
        "test the dead-man switch with the gas closed",
    ),
)

#: (key, text, wanted answer): what to ask, in order; every answer must be the wanted one.
QUESTIONS: tuple[tuple[str, str, str], ...] = tuple((key, text, wanted) for key, text, wanted, _ in _QUESTIONS)

#: How old the weather observation may be: common practice, no source.
WEATHER_AGE_MAX_S = 3600.0
#: How long a permit lasts at most: common practice (half a shift), no source.
PERMIT_LIFE_S = 4 * 3600.0
#: How far apart two clocks may be before a time "in the future" is a contradiction.
CLOCK_SLACK_S = 60.0


def grant(
    *,
    permit_id: str,
    plan: Plan,
    weather: Weather,
    codes: FireWeather,
    answers: dict[str, str],
    limits: Limits,
    now_s: float,
    signed_by: str,
) -> Permit | Refusal:
    """Return a permit for this one plan, or every reason why not.

    Parameters
    ----------
    weather : Weather
        Observed at the site not longer ago than ``WEATHER_AGE_MAX_S``.
    codes : FireWeather
        Of today, see ``fire_weather``.
    answers : dict[str, str]
        ``"yes"`` or ``"no"`` by key of ``QUESTIONS``; anything else counts as not answered.
    now_s : float
        Seconds since the epoch.
    signed_by : str
        Name of the person who answered and stands for it.

    Returns
    -------
    Permit or Refusal
        The permit ends ``PERMIT_LIFE_S`` after it was granted. A refusal lists all reasons, each with its remedy.
    """
    reasons = [*_about_answers(answers), *_about_weather(weather, codes, limits, now_s)]
    name = " ".join(signed_by.split())[:200]
    if not name:
        reasons.append("Nobody signed: the person who answered must give a name.")
    if not permit_id.strip():
        reasons.append("The permit has no number: give it one.")
    if not math.isfinite(now_s):
        reasons.append("The clock is not known: set it and ask again.")
    if not plan.sweep and not any(stop.holds for stop in plan.stops):
        reasons.append("The plan heats nothing, so nothing is permitted: mend what its refusals name, or survey again.")
    if reasons:
        return Refusal(tuple(reasons))
    kept = tuple((key, _plain(answers[key])) for key, _, _ in QUESTIONS)
    return Permit(permit_id, plan.id, now_s, now_s + PERMIT_LIFE_S, name, weather, codes, kept)


def _plain(answer: object) -> str:
    return answer.strip().casefold() if isinstance(answer, str) else ""


def _about_answers(answers: dict[str, str]) -> list[str]:
    reasons = []
    for key, text, wanted, remedy in _QUESTIONS:
        given = _plain(answers.get(key))
        if given not in ("yes", "no"):
            shown = f" ('{given[:40]}' is neither yes nor no)" if given else ""
            reasons.append(f"Not answered{shown}: {text} Answer yes or no; it is never assumed.")
        elif given != wanted:
            reasons.append(f"Answered {given}: {text} Remedy: {remedy}.")
    if _plain(answers.get("burn_ban_asked")) == "no" and _plain(answers.get("burn_ban")) == "no":
        reasons.append(
            "Contradiction: a burn ban was denied without having been asked about. Remedy: ask, then answer."
        )
    known = {key for key, _, _ in QUESTIONS}
    for key in sorted(set(answers) - known):
        reasons.append(
            f"Unknown answer '{key[:40]}': nothing asks for it. Remedy: use the keys {', '.join(sorted(known))}."
        )
    return reasons


def _about_weather(weather: Weather, codes: FireWeather, limits: Limits, now_s: float) -> list[str]:
    reasons = []
    age_s = now_s - weather.at_s
    if not age_s <= WEATHER_AGE_MAX_S:
        shown = f"{age_s / 60.0:.0f} min old" if math.isfinite(age_s) else "of unknown age"
        reasons.append(
            f"The weather observation is {shown}; at most {WEATHER_AGE_MAX_S / 60.0:.0f} min is allowed. "
            "Remedy: observe again at the site."
        )
    elif age_s < -CLOCK_SLACK_S:
        reasons.append("The weather observation lies in the future. Remedy: check both clocks.")
    measured = (weather.temperature_k, weather.humidity, weather.wind_m_s, weather.rain_m)
    sane = all(map(math.isfinite, measured)) and weather.wind_m_s >= 0.0 and 0.0 <= weather.humidity <= 1.0
    if not (sane and weather.rain_m >= 0.0 and weather.temperature_k > 0.0):
        reasons.append("The weather observation has a missing or impossible number. Remedy: observe again.")
    if not weather.wind_m_s <= limits.wind_max_m_s:
        reasons.append(
            f"Wind {weather.wind_m_s:.1f} m/s is above your limit of {limits.wind_max_m_s:.1f} m/s. "
            "Remedy: wait for less wind."
        )
    if not all(map(math.isfinite, (codes.ffmc, codes.dmc, codes.dc, codes.isi, codes.bui, codes.fwi))):
        reasons.append("The fire weather codes are not known. Remedy: enter the noon observations.")
    if not codes.fwi <= limits.fwi_max:
        reasons.append(
            f"Fire weather index {codes.fwi:.1f} is above your limit of {limits.fwi_max:.1f}. "
            "Remedy: wait for moister or calmer weather."
        )
    if not codes.ffmc <= limits.ffmc_max:
        reasons.append(
            f"Fine fuel moisture code {codes.ffmc:.1f} (ignition {ignition_words(codes.ffmc)}) is above your limit of "
            f"{limits.ffmc_max:.1f}. Remedy: wait for moister weather."
        )
    return reasons
