"""What heat commands really gave: is a report credible, and what did the weed get from all of its points."""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np

from swardwright.domain.event import Treated
from swardwright.domain.heat_given import dose_and_kill, scorched_by_holds_m2
from swardwright.domain.pattern import CROWN_SHARE
from swardwright.domain.plan import Hold, Stop
from swardwright.domain.poses import Array
from swardwright.domain.robot import HeatReport
from swardwright.domain.site import Kind, Site
from swardwright.domain.weed import Aim


def credible(report: HeatReport, hold: Hold, site: Site) -> bool:
    """Return whether the robot's report of a heat makes sense; if not, what the weed got is unknown."""
    longest_s = hold.hold_s + 2.0 * site.rig.head.valve_delay_s
    numbers = 0.0 <= report.heated_s <= 1.05 * longest_s and 0.0 <= report.gas_kg < math.inf
    return numbers and not (report.completed and report.heated_s < 0.5 * hold.hold_s)


@dataclass
class Given:
    """The points of one weed that were commanded so far: where the flame pointed, how long it burned, gas."""

    landings_m: list[Array] = field(default_factory=list)
    heated_s: list[float] = field(default_factory=list)
    gas_kg: float = 0.0

    def add(self, landing_m: Array, report: HeatReport) -> None:
        """Take in the credible report of one point; ``landing_m`` (2,), base axes."""
        self.landings_m.append(landing_m)
        self.heated_s.append(report.heated_s)
        self.gas_kg += report.gas_kg

    def treated(self, site: Site, stop: Stop, hold: Hold, aim: Aim, kind: Kind) -> Treated:
        """Return what the weed got so far: expected over crown and landings, at the times the flame really burned."""
        head, times = site.rig.head, np.array(self.heated_s)
        about = np.array(self.landings_m) - aim.mean_m
        dose, kill = dose_and_kill(head, kind, aim.covariance_m2, about, times, CROWN_SHARE * aim.radius_m)
        scorch = scorched_by_holds_m2(head, about, times, site.limits.turf_dose_kg_m2)
        return Treated(hold.weed_id, stop.id, float(times.sum()), self.gas_kg, dose, kill, scorch,
                       points=int(np.count_nonzero(times > 0.0)), planned=len(hold.offsets_m))  # fmt: skip


def kind_to_treat(aim: Aim, site: Site) -> Kind | None:
    """Return the most probable kind to treat."""
    for name, _ in sorted(aim.kinds, key=lambda item: -item[1]):
        kind = site.kind(name)
        if kind is not None and kind.treat:
            return kind
    return None
