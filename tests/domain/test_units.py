import math

import pytest

from swardwright.domain.errors import InputError
from swardwright.domain.units import parse_quantity


@pytest.mark.parametrize(
    ("text", "dimension", "value"),
    [
        ("3 cm", "length", 0.03),
        ("35 ft", "length", 10.668),  # 29 CFR 1915.504 prints 35 ft (10.7 m); the foot is 0.3048 m exactly
        ("180deg", "angle", math.pi),
        ("1 kg/ha", "areal dose", 1e-4),
        ("-40 F", "temperature", 233.15),  # the two scales meet at -40
        ("0 C", "temperature", 273.15),
        ("20 mph", "speed", 8.9408),
        ("10 lb", "mass", 4.5359237),
        ("1e2 mm", "length", 0.1),
    ],
)
def test_text_becomes_si(text: str, dimension: str, value: float) -> None:
    assert parse_quantity(text, dimension) == pytest.approx(value, rel=1e-12)


@pytest.mark.parametrize("text", ["3", "cm", "3 kg", "nan m", "inf m", "1e999 m", "3 cm 4", "", "3 furlong"])
def test_wrong_text_is_refused_with_the_known_units(text: str) -> None:
    with pytest.raises(InputError) as caught:
        parse_quantity(text, "length")
    assert "cm" in (caught.value.remedy or "") or "finite" in caught.value.what
