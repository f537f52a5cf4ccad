"""Physical constants and the only place where text such as ``3 cm`` becomes SI.

Sources: international yard and pound (exact) for foot, inch and pound; BTU(IT) 1055.05585262 J (exact by
definition of the International Table calorie); zero Celsius 273.15 K.
"""

from __future__ import annotations

import math
import re

from swardwright.domain.errors import InputError

GRAVITY_M_S2 = 9.80665
ZERO_CELSIUS_K = 273.15
ATMOSPHERE_PA = 101_325.0
KG_M2_PER_KG_HA = 1e-4

#: unit text -> (dimension, factor to SI, offset to SI)
_UNITS: dict[str, tuple[str, float, float]] = {
    "m": ("length", 1.0, 0.0),
    "cm": ("length", 1e-2, 0.0),
    "mm": ("length", 1e-3, 0.0),
    "km": ("length", 1e3, 0.0),
    "in": ("length", 0.0254, 0.0),
    "ft": ("length", 0.3048, 0.0),
    "m2": ("area", 1.0, 0.0),
    "cm2": ("area", 1e-4, 0.0),
    "rad": ("angle", 1.0, 0.0),
    "deg": ("angle", math.pi / 180.0, 0.0),
    "s": ("time", 1.0, 0.0),
    "ms": ("time", 1e-3, 0.0),
    "min": ("time", 60.0, 0.0),
    "h": ("time", 3600.0, 0.0),
    "d": ("time", 86400.0, 0.0),
    "kg": ("mass", 1.0, 0.0),
    "g": ("mass", 1e-3, 0.0),
    "lb": ("mass", 0.45359237, 0.0),
    "kg/s": ("mass flow", 1.0, 0.0),
    "g/s": ("mass flow", 1e-3, 0.0),
    "kg/h": ("mass flow", 1.0 / 3600.0, 0.0),
    "kg/m2": ("areal dose", 1.0, 0.0),
    "kg/ha": ("areal dose", KG_M2_PER_KG_HA, 0.0),
    "g/m2": ("areal dose", 1e-3, 0.0),
    "m/s": ("speed", 1.0, 0.0),
    "km/h": ("speed", 1.0 / 3.6, 0.0),
    "mph": ("speed", 0.44704, 0.0),
    "rad/s": ("angular speed", 1.0, 0.0),
    "deg/s": ("angular speed", math.pi / 180.0, 0.0),
    "J": ("energy", 1.0, 0.0),
    "kJ": ("energy", 1e3, 0.0),
    "Wh": ("energy", 3600.0, 0.0),
    "W": ("power", 1.0, 0.0),
    "kW": ("power", 1e3, 0.0),
    "Pa": ("pressure", 1.0, 0.0),
    "kPa": ("pressure", 1e3, 0.0),
    "bar": ("pressure", 1e5, 0.0),
    "K": ("temperature", 1.0, 0.0),
    "C": ("temperature", 1.0, ZERO_CELSIUS_K),
    "F": ("temperature", 5.0 / 9.0, ZERO_CELSIUS_K - 32.0 * 5.0 / 9.0),
    "%": ("fraction", 1e-2, 0.0),
    "px": ("pixels", 1.0, 0.0),
}

#: dimension -> SI unit text, for messages
SI_UNIT = {
    "length": "m", "area": "m2", "angle": "rad", "time": "s", "mass": "kg", "mass flow": "kg/s",
    "areal dose": "kg/m2", "speed": "m/s", "angular speed": "rad/s", "energy": "J", "power": "W",
    "pressure": "Pa", "temperature": "K", "fraction": "1", "pixels": "px",
}  # fmt: skip

_QUANTITY = re.compile(r"^\s*([-+]?(?:\d+\.?\d*|\.\d+)(?:[eE][-+]?\d+)?)\s*([A-Za-z%][A-Za-z0-9/%]*)\s*$")


def parse_quantity(text: str, dimension: str) -> float:
    """Turn text such as ``"3 cm"`` into SI.

    Parameters
    ----------
    text : str
        A number, optional space, and one of the units of this module.
    dimension : str
        Wanted dimension, for example ``"length"``.

    Returns
    -------
    float
        The value in the SI unit of ``dimension``.

    Raises
    ------
    InputError
        If there is no number, no unit, an unknown unit, or a unit of another dimension.
    """
    match = _QUANTITY.match(text)
    known = ", ".join(unit for unit, (dim, _, _) in _UNITS.items() if dim == dimension)
    if match is None:
        raise InputError(
            f"a {dimension} needs a number and a unit",
            value=repr(text),
            limit=f"for example '3 {known.split(', ')[0]}'",
            remedy=f"write the number with one of: {known}",
        )
    number, unit = float(match.group(1)), match.group(2)
    if unit not in _UNITS or _UNITS[unit][0] != dimension:
        raise InputError(
            f"'{unit}' is not a unit of {dimension}",
            value=repr(text),
            limit=f"one of: {known}",
            remedy=f"write the number with one of: {known}",
        )
    _, factor, offset = _UNITS[unit]
    value = number * factor + offset
    if not math.isfinite(value):
        raise InputError(f"a {dimension} must be finite", value=repr(text), remedy="write a finite number")
    return value
