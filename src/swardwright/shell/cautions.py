"""What every screen and report that leads to fire says first."""

from __future__ import annotations

#: sources: the design's safety section; 29 CFR 1915.504 (distance); 29 CFR 1910.252(a)(2)(iii)(B) (watch after work);
#: cylinder and water: Weed Control Methods Handbook, Appendix 2
CAUTIONS: tuple[str, ...] = (
    "Swardwright is not a safety function. It plans, refuses, warns and records. The emergency stop, the gas shut-off "
    "valve and the dead-man switch are hardware and must work without this program.",
    "Local codes, burn bans and the authority having jurisdiction decide whether, when and where open flame may be "
    "used. Nothing printed here is their permission.",
    "A person stands watch, with water at hand and the dead-man switch held, from lighting until at least 30 minutes "
    "after the last flame. Everybody else keeps clear: 10.7 m (35 ft) is hot-work practice.",
    "Gas work follows licensed gas practice: cylinder upright, secured, away from the flame, and never on ground "
    "that was just burned.",
)
