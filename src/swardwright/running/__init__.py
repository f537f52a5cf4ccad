"""Running a round: fire weather, permit, interlocks, and the supervisor that asks for one command after another.

The software is not a safety function: the emergency stop, the gas shut-off valve and the dead-man switch are hardware,
a person stands watch, and local codes, the authority having jurisdiction and licensed gas practice go before it.
"""

from swardwright.running.fire_weather import START_CODES, fire_weather
from swardwright.running.interlocks import Hindrance, may_heat
from swardwright.running.journal import spared_given, unfinished, with_earlier
from swardwright.running.permit import QUESTIONS, grant
from swardwright.running.supervisor import supervise
from swardwright.running.swept import FOUND, Swept, found_entry, swept

__all__ = [
    "FOUND", "QUESTIONS", "START_CODES", "Hindrance", "Swept", "fire_weather", "found_entry", "grant", "may_heat",
    "spared_given", "supervise", "swept", "unfinished", "with_earlier",
]  # fmt: skip
