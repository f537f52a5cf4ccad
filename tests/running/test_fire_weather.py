from __future__ import annotations

import math
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from swardwright.domain.errors import InputError
from swardwright.domain.permit import Weather
from swardwright.running import START_CODES, fire_weather
from swardwright.running.fire_weather import ignition_words

NOON = Weather(0.0, 293.15, 0.45, 3.0, 0.0)


@pytest.mark.parametrize(
    ("changes", "field"),
    [
        ({"humidity": 45.0}, "humidity"), ({"humidity": -0.1}, "humidity"), ({"temperature_k": 20.0}, "temperature_k"),
        ({"temperature_k": math.nan}, "temperature_k"), ({"wind_m_s": -1.0}, "wind_m_s"), ({"rain_m": 12.0}, "rain_m"),
        ({"rain_m": math.nan}, "rain_m"),
    ],
)  # fmt: skip
def test_an_impossible_observation_is_refused(changes, field):
    with pytest.raises(InputError) as caught:
        fire_weather(START_CODES, replace(NOON, **changes), 5, 51.0)
    assert caught.value.field == field
    assert caught.value.remedy


@pytest.mark.parametrize(
    ("previous", "month", "latitude"),
    [((102.0, 6.0, 15.0), 5, 51.0), ((85.0, -1.0, 15.0), 5, 51.0), ((85.0, 6.0, math.nan), 5, 51.0),
     (START_CODES, 0, 51.0), (START_CODES, 13, 51.0), (START_CODES, 5, 91.0)],
)  # fmt: skip
def test_impossible_codes_month_or_latitude_are_refused(previous, month, latitude):
    with pytest.raises(InputError):
        fire_weather(previous, NOON, month, latitude)


@given(
    st.tuples(st.floats(0, 101), st.floats(0, 300), st.floats(0, 1000)),
    st.builds(Weather, st.just(0.0), st.floats(240, 320), st.floats(0, 1), st.floats(0, 30), st.floats(0, 0.3)),
    st.integers(1, 12),
    st.floats(-90, 90),
)
def test_codes_stay_in_their_ranges_whatever_the_weather(previous, weather, month, latitude):
    day = fire_weather(previous, weather, month, latitude)
    assert 0.0 <= day.ffmc <= 101.0
    for value in (day.dmc, day.dc, day.isi, day.bui, day.fwi):
        assert 0.0 <= value < math.inf


@given(st.floats(0.0, 0.9), st.floats(0.0, 15.0))
def test_drier_and_windier_is_never_less_dangerous(humidity, wind):
    weather = replace(NOON, humidity=humidity, wind_m_s=wind)
    day = fire_weather(START_CODES, weather, 5, 51.0)
    drier = fire_weather(START_CODES, replace(weather, humidity=humidity + 0.1), 5, 51.0)
    windier = fire_weather(START_CODES, replace(weather, wind_m_s=wind + 1.0), 5, 51.0)
    assert drier.ffmc <= day.ffmc + 1e-9
    assert drier.fwi <= day.fwi + 1e-9
    assert windier.isi >= day.isi - 1e-9


def test_rain_wets_every_code():
    dry = fire_weather((88.0, 40.0, 200.0), NOON, 6, 51.0)
    wet = fire_weather((88.0, 40.0, 200.0), replace(NOON, rain_m=0.012), 6, 51.0)
    for name in ("ffmc", "dmc", "dc", "isi", "bui", "fwi"):
        assert getattr(wet, name) < getattr(dry, name)


def test_seasons_are_turned_round_in_the_south():
    def growth(month, latitude):
        day = fire_weather(START_CODES, NOON, month, latitude)
        return day.dmc - START_CODES[1], day.dc - START_CODES[2]

    assert growth(6, 51.0) > growth(12, 51.0)
    assert growth(6, -35.0) < growth(12, -35.0)
    assert growth(6, 5.0) == growth(12, 5.0)  # near the equator: the same all year


def test_rain_on_soaked_litter_by_hand():
    # Code 10 is a moisture of 147.27723 * 91 / 69.5 = 192.8377 %. 5.5 mm of rain, 5 mm net: Eq. 3a adds
    # 42.5 * 5 * exp(-100 / 58.1623) * (1 - exp(-1.386)) = 28.5551, Eq. 3b 0.0015 * 42.8377^2 * sqrt(5) = 6.1551:
    # 227.5479 %. At 0 C, 100 % and no wind it dries towards Eq. 4, 0.942 * 100^0.679 + 11 + 3.798 = 36.2792, at the
    # rate 0 (Eq. 6 is 0 at 100 % humidity): code 59.5 * 22.4521 / 374.8251 = 3.5641.
    soaked = Weather(0.0, 273.15, 1.0, 0.0, 0.0055)
    assert fire_weather((10.0, 6.0, 15.0), soaked, 5, 51.0).ffmc == pytest.approx(3.5641, abs=1e-4)


@pytest.mark.parametrize(("latitude", "hours"), [(51.0, 6.5), (20.0, 7.9), (0.0, 9.0), (-20.0, 10.1), (-40.0, 11.5)])
def test_day_lengths_of_january(latitude, hours):
    # Eq. 16 by hand at 20 C and 45 %: 1.894e-4 * 21.1 * 55 * day length; lengths: Wang et al. 2015, January
    grown = fire_weather(START_CODES, NOON, 1, latitude).dmc - START_CODES[1]
    assert grown == pytest.approx(1.894e-4 * 21.1 * 55 * hours, abs=1e-9)


def test_ignition_words_follow_the_table():
    # secondary source: < 75 difficult, 75-80 moderately difficult, 80-85 moderately easy, 85-90 easy, 91+ very easy
    words = [ignition_words(v) for v in (70, 77, 82, 87, 91)]
    assert words == ["difficult", "moderately difficult", "moderately easy", "easy", "very easy"]
