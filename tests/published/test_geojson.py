"""GeoJSON against RFC 7946 (a validator and a geodesy library that the program does not use)."""

from __future__ import annotations

import json
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from geojson_pydantic import FeatureCollection
from pyproj import Geod, Transformer

from swardwright.domain.errors import SiteError
from swardwright.domain.site import Origin
from swardwright.shell.geojson import collection, positions


@pytest.fixture(scope="module")
def written(story: Any) -> dict[str, Any]:
    fates = {f.weed_id: f.fate for f in story.outcome.fates}
    text = json.dumps(collection(story.site, story.register, story.plan, fates), allow_nan=False)
    found: dict[str, Any] = json.loads(text)
    return found


def of(written: dict[str, Any], what: str) -> list[dict[str, Any]]:
    return [f for f in written["features"] if f["properties"]["what"] == what]


def test_a_validator_of_rfc_7946_accepts_it(written: dict[str, Any], story: Any) -> None:
    model = FeatureCollection.model_validate(written)
    assert len(model.features) == len(written["features"])
    counts = {what: len(of(written, what)) for what in ("zone", "keep-out", "weed", "stop", "route")}
    expected = {"zone": 1, "keep-out": 3, "weed": len(story.register.weeds), "stop": len(story.plan.stops), "route": 1}
    assert counts == expected
    # section 4: a coordinate system is not named, WGS84 is the only one
    assert "crs" not in written


def test_rings_are_closed_and_follow_the_right_hand_rule(written: dict[str, Any]) -> None:
    """Sections 3.1.6: first and last position identical, exterior ring anticlockwise (positive area by pyproj)."""
    geod = Geod(ellps="WGS84")
    areas = {}
    for feature in of(written, "zone") + of(written, "keep-out"):
        (ring,) = feature["geometry"]["coordinates"]
        assert ring[0] == ring[-1]
        lon, lat = np.array(ring).T
        areas[feature["properties"]["name"]], _ = geod.polygon_area_perimeter(lon, lat)
    assert areas["green"] == pytest.approx(96.0, rel=1e-4)
    assert areas["sprinkler box"] == pytest.approx(0.16, rel=1e-3)  # corners are written to 0.1 mm
    assert min(areas.values()) > 0


def test_positions_are_longitude_latitude_of_wgs84(written: dict[str, Any], story: Any) -> None:
    """Section 3.1.1, by PROJ's topocentric conversion (EPSG method 9836/9837), within 0.2 mm."""
    o = story.site.origin
    pipeline = (
        "+proj=pipeline +step +proj=axisswap +order=1,2,3 +step +inv +proj=topocentric +ellps=WGS84 "
        f"+lon_0={o.longitude_deg} +lat_0={o.latitude_deg} +h_0={o.height_m} +step +inv +proj=cart +ellps=WGS84"
    )
    back = Transformer.from_pipeline(pipeline)
    for feature, weed in zip(of(written, "weed"), story.register.weeds, strict=True):
        lon, lat, _ = back.transform(*weed.mean_m, 0.0)
        expected = np.degrees([lon, lat]) if abs(lat) < 1.6 else np.array([lon, lat])
        offset = np.array(feature["geometry"]["coordinates"]) - expected
        assert np.abs(offset * [111e3 * np.cos(np.radians(o.latitude_deg)), 111e3]).max() < 2e-4


def test_a_site_across_the_180th_meridian_is_refused_not_garbled(story: Any) -> None:
    """Section 3.1.9 asks for such geometry to be cut."""
    assert positions([(0.0, 0.0)], Origin(-17.0, 179.99999, 0.0))
    with pytest.raises(SiteError, match="180th meridian"):
        collection(replace(story.site, origin=Origin(-17.0, 179.99999, 0.0)))
