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

#: before a test sheet is heated; sources as above, the rest common practice
TEST_SHEET: tuple[str, ...] = (
    "Heating a test board is open flame: treat it as hot work, on bare mineral ground or a wet, non-burning base, away "
    "from anything that burns, with water at hand and a person who watches it until it is cold. Paper over a board of "
    "wood or plastic burns through: keep it damp or use a mineral board. Local codes and burn bans hold for tests too.",
)
