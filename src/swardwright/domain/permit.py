"""Hot-work permission for one round: weather, answers, expiry."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Weather:
    """One observation at a stated time (seconds since the epoch)."""

    at_s: float
    temperature_k: float
    humidity: float
    wind_m_s: float
    rain_m: float


@dataclass(frozen=True)
class FireWeather:
    """Canadian Forest Fire Weather Index System codes of one day."""

    ffmc: float
    dmc: float
    dc: float
    isi: float
    bui: float
    fwi: float


@dataclass(frozen=True)
class Permit:
    """Granted permission.

    Attributes
    ----------
    plan_id : str
        The one plan it is for.
    granted_at_s, expires_at_s : float
        Seconds since the epoch.
    signed_by : str
        Who stands watch and signed.
    answers : tuple[tuple[str, str], ...]
        Question and answer, as given.
    """

    id: str
    plan_id: str
    granted_at_s: float
    expires_at_s: float
    signed_by: str
    weather: Weather
    fire_weather: FireWeather
    answers: tuple[tuple[str, str], ...]


@dataclass(frozen=True)
class Refusal:
    """Permission refused: every reason, each a plain sentence with its remedy."""

    reasons: tuple[str, ...]
