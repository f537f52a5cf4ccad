"""How long the sun is up: the length of a working day where the user names none."""

from __future__ import annotations

import math
from datetime import UTC, datetime

from swardwright.domain.errors import InputError, RefusedError
from swardwright.domain.site import Site

#: the sun's middle stands this far below the horizon at sunrise: refraction and radius (almanac convention)
SUNRISE_RAD = math.radians(-0.833)
DAY_S = 86_400.0


def declination_rad(day_of_year: float) -> float:
    """Return the sun's declination (Spencer 1971, Fourier series of the day angle, from memory), rad."""
    g = 2.0 * math.pi * (day_of_year - 1.0) / 365.0
    return (
        0.006918 - 0.399912 * math.cos(g) + 0.070257 * math.sin(g) - 0.006758 * math.cos(2 * g)
        + 0.000907 * math.sin(2 * g) - 0.002697 * math.cos(3 * g) + 0.00148 * math.sin(3 * g)
    )  # fmt: skip


def daylight_s(latitude_deg: float, day_of_year: float) -> float:
    """Return the time from sunrise to sunset, s: ``cos H = (sin h0 - sin lat sin dec) / (cos lat cos dec)``."""
    if not -90.0 <= latitude_deg <= 90.0 or not 1.0 <= day_of_year <= 367.0:
        raise InputError("daylight needs a latitude and a day of the year", value=f"{latitude_deg:g}, {day_of_year:g}",
                         limit="-90 to 90 degrees, day 1 to 366", remedy="mend origin.latitude")  # fmt: skip
    latitude, declination = math.radians(latitude_deg), declination_rad(day_of_year)
    level = math.sin(SUNRISE_RAD) - math.sin(latitude) * math.sin(declination)
    cosine = level / max(math.cos(latitude) * math.cos(declination), 1e-12)
    return DAY_S * math.acos(min(max(cosine, -1.0), 1.0)) / math.pi


def working_day_s(site: Site, at_s: float | None) -> float:
    """Return how long one may work on the day of ``at_s`` (Unix time; None: without end), the user's limit first, s.

    Raises
    ------
    RefusedError
        If the sun does not rise that day and the user names no limit.
    """
    if site.limits.work_day_s > 0.0:
        return site.limits.work_day_s
    if at_s is None:
        return math.inf
    day = datetime.fromtimestamp(at_s, UTC)
    light = daylight_s(site.origin.latitude_deg, day.timetuple().tm_yday)
    if light <= 0.0:
        raise RefusedError(f"the sun does not rise there on {day:%Y-%m-%d}", where="site.toml",
                           field="limits.work_day",
                           remedy="wait for daylight, or write the hours that you light it yourself")  # fmt: skip
    return light
