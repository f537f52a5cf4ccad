"""GeoJSON (RFC 7946) of a site, its weeds and a plan: WGS84 longitude and latitude, degrees.

Sections of RFC 7946 kept: 3.1.1 (longitude first), 3.1.6 (closed rings, exterior anticlockwise), 4 (WGS84),
7 (no foreign coordinate system member).
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any

import numpy as np

from swardwright.domain.errors import SiteError
from swardwright.domain.plan import Plan
from swardwright.domain.site import Origin, Polygon, Site, treat_probability
from swardwright.domain.uncertainty import ellipse
from swardwright.domain.weed import Register

#: about 0.1 mm of latitude
_DECIMALS = 9

Position = list[float]


def positions(points_m: Iterable[tuple[float, float]], origin: Origin) -> list[Position]:
    """Return ``[longitude, latitude]`` (degrees, WGS84) of ground points.

    Parameters
    ----------
    points_m : iterable of tuple[float, float]
        East and north in ground axes, metres, in the plane through the origin.

    Raises
    ------
    SiteError
        If the points lie on both sides of the 180th meridian (RFC 7946 section 3.1.9 would need them cut).
    """
    import pymap3d

    points = np.asarray(list(points_m), dtype=float).reshape(-1, 2)
    latitude, longitude, _ = pymap3d.enu2geodetic(
        points[:, 0], points[:, 1], 0.0, origin.latitude_deg, origin.longitude_deg, origin.height_m
    )
    if len(points) and np.ptp(longitude) > 180.0:
        raise SiteError(
            "the site lies across the 180th meridian, which GeoJSON cannot carry in one piece",
            field="origin.longitude",
            value=origin.longitude_deg,
            remedy="split the site at the meridian",
        )
    return [
        [round(float(lon), _DECIMALS), round(float(lat), _DECIMALS)]
        for lon, lat in zip(np.atleast_1d(longitude), np.atleast_1d(latitude), strict=True)
    ]


def ring(corners_m: Polygon, origin: Origin) -> list[Position]:
    """Return the closed exterior ring of a polygon, anticlockwise (right-hand rule), degrees."""
    x, y = np.asarray(corners_m, dtype=float).T
    twice_area = float(np.dot(x, np.roll(y, -1)) - np.dot(y, np.roll(x, -1)))
    ordered = corners_m if twice_area > 0 else corners_m[::-1]
    outline = positions(ordered, origin)
    return [*outline, outline[0]]


def collection(
    site: Site, register: Register | None = None, plan: Plan | None = None, fates: Mapping[str, str] | None = None
) -> dict[str, Any]:
    """Return a FeatureCollection of zones, keep-outs, weeds, stops and route.

    Parameters
    ----------
    fates : mapping of str to str, optional
        What became of each weed, by id.

    Returns
    -------
    dict
        Ready for ``json.dumps``. Lengths in properties are metres, angles degrees.
    """
    o = site.origin
    features = ground_features(site)
    for weed in register.weeds if register else ():
        large, small, direction = ellipse(weed.covariance_m2)
        features.append(
            feature(
                f"weed {weed.id}",
                "Point",
                positions([(float(weed.mean_m[0]), float(weed.mean_m[1]))], o)[0],
                {
                    "what": "weed",
                    "name": weed.id,
                    "kind": weed.kind,
                    "treat_probability": round(treat_probability(weed.kinds, site), 4),
                    "presence": round(weed.presence, 4),
                    "radius_m": round(weed.radius_m, 4),
                    "ellipse_95_semi_axes_m": [round(large, 4), round(small, 4)],
                    "ellipse_direction_deg_from_east": round(float(np.degrees(direction)), 1),
                    "control": weed.control,
                    "heat_kg_m2": round(weed.heat_kg_m2, 6),
                    "fate": (fates or {}).get(weed.id),
                },
            )
        )
    if plan is not None:
        for stop in plan.stops:
            properties = {
                "what": "stop",
                "name": stop.id,
                "heading_deg_from_east": round(float(np.degrees(stop.base.yaw_rad)), 1),
                "weeds": [hold.weed_id for hold in stop.holds],
            }
            place = positions([(stop.base.x_m, stop.base.y_m)], o)[0]
            features.append(feature(f"stop {stop.id}", "Point", place, properties))
        if len(plan.route_m) > 1:
            features.append(feature("route", "LineString", positions(plan.route_m, o), {"what": "route"}))
    return {"type": "FeatureCollection", "features": features}


def ground_features(site: Site) -> list[dict[str, Any]]:
    """Return zones and keep-outs as polygons."""
    features = [
        feature(
            f"zone {zone.name}", "Polygon", [ring(zone.corners_m, site.origin)], {"what": "zone", "name": zone.name}
        )
        for zone in site.zones
    ]
    for keep in site.keep_outs:
        properties = {"what": "keep-out", "name": keep.name, "standoff_m": keep.standoff_m}
        outline = [ring(keep.corners_m, site.origin)]
        features.append(feature(f"keep-out {keep.name}", "Polygon", outline, properties))
    return features


def feature(name: str, kind: str, coordinates: Any, properties: dict[str, Any]) -> dict[str, Any]:
    """Return one feature; without coordinates (None) it is one whose place is not known (section 3.2)."""
    geometry = None if coordinates is None else {"type": kind, "coordinates": coordinates}
    return {"type": "Feature", "id": name, "geometry": geometry, "properties": properties}
