from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from swardwright.domain.weed import Register
from swardwright.planning import plan_round


def test_what_one_treatment_cannot_do_is_treated_and_revisited(make: Any) -> None:
    """ED50 40 kg/ha, slope 3: half a second at most gives about 0.9, not 0.95; a fifth of a second next to nothing."""
    weed = make.weed("w", 2.0, 2.0)
    limits = replace(make.limits, hold_max_s=0.5, control_fraction=0.0)
    plan = plan_round(Register(1, (weed,)), make.site(limits=limits), plan_id="r", seed=1)
    (hold,) = (hold for stop in plan.stops for hold in stop.holds)
    assert hold.hold_s == 0.5
    assert 0.5 <= hold.kill < 0.95
    assert any("treat and revisit in 14 days: 1 plantain get the longest hold, 0.5 s" in note for note in plan.notes)

    limits = replace(limits, hold_max_s=0.1)
    plan = plan_round(Register(1, (weed,)), make.site(limits=limits), plan_id="r", seed=1)
    (refused,) = plan.refused
    assert "one treatment cannot do it: treat and revisit in 14 days" in refused.reason


def test_a_place_too_vague_is_to_be_looked_at_again(make: Any) -> None:
    site = make.site(limits=replace(make.limits, hold_max_s=1.0))
    rig = replace(site.rig, errors=replace(site.rig.errors, pixel_px=80.0))
    plan = plan_round(Register(1, (make.weed("w", 2.0, 2.0, sd=0.018),)), replace(site, rig=rig), plan_id="r", seed=1)
    (refused,) = plan.refused
    assert "look again first" in refused.reason


@pytest.mark.parametrize(("radius", "said"), [(0.005, False), (0.06, True)])
def test_wide_crowns_are_spoken_of_where_they_matter(make: Any, radius: float, said: bool) -> None:
    weeds = tuple(replace(make.weed(f"w{i}", 1.0 + 0.3 * i, 2.0), radius_m=radius) for i in range(5))
    limits = replace(make.limits, control_fraction=0.0)
    plan = plan_round(Register(1, weeds), make.site(limits=limits), plan_id="r", seed=1)
    notes = [note for note in plan.notes if "one growing point" in note]
    assert bool(notes) is said
