"""Plan view of a site as inline SVG: no script, no outside request.

Drawing units are centimetres on the ground, x east to the right, y north upwards. Kinds differ by shape as well as by
colour; the colours are those of Okabe and Ito (2008), chosen to stay apart for colour-blind readers. Two style
variables let a page that zooms keep letters and marks at a constant size on the screen: ``--u`` (drawing units per
screen pixel, 1 in print) and ``--s`` (scale of the marks).
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from markupsafe import Markup, escape

from swardwright.domain.plan import Plan
from swardwright.domain.poses import BasePose
from swardwright.domain.site import Kind, Polygon, Site
from swardwright.domain.uncertainty import ellipse
from swardwright.domain.weed import Register, Weed
from swardwright.shell.report_rows import BELIEVED

COLOURS = ("#0072b2", "#d55e00", "#aa3f7f", "#b87a00", "#00785a", "#3a8fc4", "#4d4d4d")
_MARK = 7.0
_MARGIN = 50.0
_BEYOND_M = 1.0
#: height of the strip with scale bar and north arrow
_STRIP = 56.0


def _corners(count: int, turn: float, radius: float) -> str:
    angles = [turn + 2 * math.pi * i / count for i in range(count)]
    return "M" + "L".join(f"{radius * math.cos(a):.2f} {radius * math.sin(a):.2f}" for a in angles) + "Z"


_SHAPES = (
    f"M{-_MARK} 0a{_MARK} {_MARK} 0 1 0 {2 * _MARK} 0a{_MARK} {_MARK} 0 1 0 {-2 * _MARK} 0Z",
    _corners(3, -math.pi / 2, 1.35 * _MARK),
    _corners(4, math.pi / 4, 1.25 * _MARK),
    _corners(4, 0.0, 1.35 * _MARK),
    _corners(3, math.pi / 2, 1.35 * _MARK),
    _corners(6, 0.0, 1.15 * _MARK),
    _corners(5, -math.pi / 2, 1.2 * _MARK),
)
_CROSS = f"M{-_MARK} {-_MARK}L{_MARK} {_MARK}M{-_MARK} {_MARK}L{_MARK} {-_MARK}"
_KITE = "M13 0L-8 8L-3 0L-8 -8Z"


@dataclass(frozen=True)
class Mark:
    """How a kind is drawn: a path about (0, 0), a colour, and whether it is hollow (a spared kind)."""

    path: str
    colour: str
    hollow: bool

    def svg(self, fate: str | None = None, control: bool = False, doubted: bool = False) -> str:
        """Return the mark with what became of the plant; pale where it was not seen again or is doubted."""
        fill = self.colour if not self.hollow and fate != "dead" else "#ffffff"
        opacity = 0.3 if fate == "not seen" or doubted else 1.0
        width = 2.4 if fate == "alive" else 1.2
        edge = "#1b1b1b" if fate == "alive" else self.colour
        parts = [
            f'<path class="mark" d="{self.path}" fill="{fill}" fill-opacity="{opacity}" stroke="{edge}" '
            f'stroke-width="{width}"/>'
        ]
        if fate == "dead":
            parts.append(f'<path class="mark" d="{_CROSS}" fill="none" stroke="{self.colour}" stroke-width="1.6"/>')
        if control:
            parts.append(
                f'<circle class="mark" r="{1.9 * _MARK}" fill="none" stroke="#1b1b1b" stroke-width="1.1" '
                'stroke-dasharray="3 2.4"/>'
            )
        return "".join(parts)


@dataclass(frozen=True)
class Drawing:
    """A finished plan view: the SVG, and the factor by which its ellipses are enlarged."""

    svg: Markup
    ellipse_factor: int
    legend: tuple[tuple[Markup, str], ...]


def marks(site: Site) -> dict[str, Mark]:
    """Return one mark per kind, in the site file's order; other names share the last."""
    return {
        kind.name: Mark(_SHAPES[i % len(_SHAPES)], COLOURS[i % len(COLOURS)], not kind.treat)
        for i, kind in enumerate(site.kinds)
    }


def plan_view(
    site: Site, register: Register | None = None, plan: Plan | None = None, fates: Mapping[str, str] | None = None
) -> Drawing:
    """Draw zones, keep-outs with stand-off, route, stops with heading, and weeds with their 95 % ellipses.

    Parameters
    ----------
    fates : mapping of str to str, optional
        What became of each weed, by id: ``dead``, ``alive`` or ``not seen``.
    """
    weeds = register.weeds if register else ()
    fates = fates or {}
    extent = Extent.around(site, weeds, plan)
    factor = enlargement(weeds)
    by_kind = marks(site)
    controls = set(plan.controls) if plan else set()
    other = Mark(_SHAPES[-1], COLOURS[-1], False)
    body = [
        _DEFS,
        f'<rect x="0" y="0" width="{extent.width:.0f}" height="{extent.height:.0f}" fill="#fbfaf7"/>',
        _layer("zones", [_zone(extent, z.corners_m) for z in site.zones]),
        _layer("keep-outs", [_keep_out(extent, k.corners_m, k.standoff_m, k.name) for k in site.keep_outs]),
        _layer("route", [_route(extent, plan)] if plan and len(plan.route_m) > 1 else []),
        _layer("ellipses", [_ellipse(extent, w, factor, by_kind.get(w.kind, other)) for w in weeds]),
        _layer("stops", [_stop(extent, i + 1, s.base, len(s.holds)) for i, s in enumerate(plan.stops if plan else ())]),
        _layer(
            "weeds",
            [
                _weed(extent, w, by_kind.get(w.kind, other), fates.get(w.id), w.control or w.id in controls)
                for w in weeds
            ],
        ),
        _furniture(extent, site),
    ]
    doubted = any(w.presence < BELIEVED for w in weeds)
    svg = (
        '<svg class="plan-view" xmlns="http://www.w3.org/2000/svg" '
        f'viewBox="0 0 {extent.width:.0f} {extent.height:.0f}" '
        f'role="img" aria-label="Plan view of {escape(site.name)}">{"".join(body)}</svg>'
    )
    return Drawing(Markup(svg), factor, _legend(site, by_kind, fates, bool(controls), doubted, plan, factor))  # noqa: S704


@dataclass(frozen=True)
class Extent:
    """The shown ground: its north-west corner (ground axes, metres) and its size in drawing units."""

    west_m: float
    north_m: float
    width: float
    height: float

    @staticmethod
    def around(site: Site, weeds: tuple[Weed, ...], plan: Plan | None) -> Extent:
        """Return what to show of a site: all that is treated, and keep-outs as far as they matter."""
        points = [p for z in site.zones for p in z.corners_m]
        points += [(float(w.mean_m[0]), float(w.mean_m[1])) for w in weeds] + list(plan.route_m if plan else ())
        core = np.array(points or [(0.0, 0.0), (1.0, 1.0)])
        low, high = core.min(axis=0), core.max(axis=0)
        for keep in site.keep_outs:
            corners = np.array(keep.corners_m)
            low = np.minimum(low, np.maximum(corners.min(axis=0) - keep.standoff_m, core.min(axis=0) - _BEYOND_M))
            high = np.maximum(high, np.minimum(corners.max(axis=0) + keep.standoff_m, core.max(axis=0) + _BEYOND_M))
        (west, south), (east, north) = low, high
        return Extent(
            west - _MARGIN / 100,
            north + _MARGIN / 100,
            (east - west) * 100 + 2 * _MARGIN,
            (north - south) * 100 + 2 * _MARGIN + _STRIP,
        )

    @property
    def bounds_m(self) -> tuple[float, float, float, float]:
        """West, south, east, north, metres, without the strip below the ground."""
        east, south = self.west_m + self.width / 100, self.north_m - (self.height - _STRIP) / 100
        return self.west_m, south, east, self.north_m

    def at(self, x_m: float, y_m: float) -> tuple[float, float]:
        """Return a place in drawing units."""
        return (x_m - self.west_m) * 100, (self.north_m - y_m) * 100

    def path(self, corners_m: Polygon) -> str:
        """Return an open outline as SVG path data."""
        return "M" + "L".join("{:.1f} {:.1f}".format(*self.at(x, y)) for x, y in corners_m)


#: both patterns and styles are local to the drawing
_DEFS = (
    '<defs><pattern id="hatch" width="12" height="12" patternUnits="userSpaceOnUse" patternTransform="rotate(45)">'
    '<rect width="12" height="12" fill="#e4e2dc"/><path d="M0 0V12" stroke="#b9b5aa" stroke-width="3"/></pattern>'
    "</defs>"
    "<style>.plan-view{display:block;width:100%;height:auto;font-family:system-ui,'DejaVu Sans',sans-serif}"
    ".plan-view path,.plan-view ellipse,.plan-view circle{vector-effect:non-scaling-stroke}"
    ".plan-view .mark{transform:scale(var(--s,1))}"
    ".plan-view text{font-size:calc(17px*var(--u,1));fill:#33332f;paint-order:stroke;stroke:#fbfaf7;"
    "stroke-width:calc(4px*var(--u,1));stroke-linejoin:round}"
    ".plan-view .number{font-size:calc(15px*var(--u,1));fill:#5a5449;text-anchor:middle}</style>"
)


def _layer(name: str, parts: list[str]) -> str:
    return f'<g class="layer-{name}">{"".join(parts)}</g>'


def _zone(extent: Extent, corners_m: Polygon) -> str:
    return f'<path d="{extent.path(corners_m)}Z" fill="#e9f0e0" stroke="#7f9468" stroke-width="1.5"/>'


def _keep_out(extent: Extent, corners_m: Polygon, standoff_m: float, name: str) -> str:
    from shapely.geometry import Polygon as Shape
    from shapely.geometry import box

    shape = Shape(corners_m)
    around = shape.buffer(standoff_m, quad_segs=6).exterior.coords if standoff_m > 0 else ()
    text = f"{name}, stand-off {standoff_m:g} m" if standoff_m > 0 else name
    seen = shape.intersection(box(*extent.bounds_m))
    if seen.is_empty:
        seen = shape
    west, south, east, north = seen.bounds
    inside = 100 * (east - west) > 11 * len(text) and north - south > 0.25
    middle = seen.representative_point()
    x, y = extent.at(middle.x, middle.y) if inside else extent.at((west + east) / 2, south - standoff_m - 0.16)
    dashed = (
        f'<path d="{extent.path(tuple((p[0], p[1]) for p in around))}Z" fill="none" stroke="#8a8577" '
        'stroke-width="1.1" stroke-dasharray="7 5"/>'
        if around
        else ""
    )
    return (
        f'{dashed}<path d="{extent.path(corners_m)}Z" fill="url(#hatch)" stroke="#8a8577" stroke-width="1.2"/>'
        f'<text class="{"" if inside else "small"}" x="{x:.1f}" y="{y:.1f}" text-anchor="middle" '
        f'dominant-baseline="middle">{escape(text)}</text>'
    )


def _route(extent: Extent, plan: Plan) -> str:
    return (
        f'<path d="{extent.path(plan.route_m)}" fill="none" stroke="#6b6455" stroke-width="1.6" '
        'stroke-linejoin="round" stroke-opacity="0.75"/>'
    )


def _stop(extent: Extent, number: int, base: BasePose, holds: int) -> str:
    x, y = extent.at(base.x_m, base.y_m)
    turn = -math.degrees(base.yaw_rad)
    return (
        f'<g transform="translate({x:.1f} {y:.1f})"><title>Stop {number}: {holds} weeds, heading '
        f'{math.degrees(base.yaw_rad):.0f}° from east</title><g transform="rotate({turn:.1f})">'
        f'<path class="mark" d="{_KITE}" fill="#fff" stroke="#5a5449" stroke-width="1.4"/></g>'
        f'<text class="number" y="0" dy="-0.75em">{number}</text></g>'
    )


def _ellipse(extent: Extent, weed: Weed, factor: int, mark: Mark) -> str:
    large, small, direction = ellipse(weed.covariance_m2)
    x, y = extent.at(float(weed.mean_m[0]), float(weed.mean_m[1]))
    return (
        f'<ellipse cx="{x:.1f}" cy="{y:.1f}" rx="{large * 100 * factor:.2f}" ry="{small * 100 * factor:.2f}" '
        f'transform="rotate({-math.degrees(direction):.1f} {x:.1f} {y:.1f})" fill="{mark.colour}" '
        f'fill-opacity="0.1" stroke="{mark.colour}" stroke-opacity="0.55" stroke-width="0.9"/>'
    )


def _weed(extent: Extent, weed: Weed, mark: Mark, fate: str | None, control: bool) -> str:
    x, y = extent.at(float(weed.mean_m[0]), float(weed.mean_m[1]))
    large, small, _ = ellipse(weed.covariance_m2)
    text = (
        f"{weed.id}: {weed.kind} {weed.kinds[0][1]:.0%}, present {weed.presence:.0%}, "
        f"95 % ellipse {large * 1000:.0f} x {small * 1000:.0f} mm"
    )
    text += f", {fate}" if fate else ""
    text += ", control" if control else ""
    return (
        f'<g class="weed" data-weed="{escape(weed.id)}" transform="translate({x:.1f} {y:.1f})">'
        f"<title>{escape(text)}</title>{mark.svg(fate, control, weed.presence < BELIEVED)}</g>"
    )


def _furniture(extent: Extent, site: Site) -> str:
    length_m = max(step for step in (0.1, 0.2, 0.5, 1, 2, 5, 10, 20, 50) if step * 100 <= max(extent.width / 5, 10))
    y = extent.height - 20
    bar = (
        f'<path d="M{_MARGIN} {y - 7}v7h{length_m * 100:.0f}v-7" fill="none" stroke="#33332f" stroke-width="1.6"/>'
        f'<text x="{_MARGIN + length_m * 100 + 10:.0f}" y="{y:.0f}">{length_m:g} m</text>'
    )
    x = extent.width - _MARGIN
    north = (
        f'<g transform="translate({x:.0f} {y - 10:.0f})"><path d="M0 -22L8 12L0 5L-8 12Z" fill="#33332f"/>'
        '<text x="-16" y="8" text-anchor="end">north</text></g>'
    )
    mark = (
        f'<text x="{extent.width / 2:.0f}" y="{y:.0f}" text-anchor="middle">Invented data</text>'
        if site.invented
        else ""
    )
    top = extent.height - _STRIP
    ground = f'<rect x="0" y="{top:.0f}" width="{extent.width:.0f}" height="{_STRIP:.0f}" fill="#fbfaf7"/>'
    return f'<g class="furniture">{ground}{bar}{north}{mark}</g>'


def enlargement(weeds: tuple[Weed, ...]) -> int:
    """Return by how much ellipses are drawn larger so that they can be seen beside the marks."""
    if not weeds:
        return 1
    median_m = float(np.median([ellipse(w.covariance_m2)[0] for w in weeds]))
    return max((f for f in (1, 2, 5, 10, 20) if f * median_m <= 0.16), default=1)


def _icon(inner: str) -> Markup:
    return Markup(f'<svg class="icon" viewBox="-16 -16 32 32" aria-hidden="true">{inner}</svg>')  # noqa: S704


def _legend(
    site: Site,
    by_kind: Mapping[str, Mark],
    fates: Mapping[str, str],
    controls: bool,
    doubted: bool,
    plan: Plan | None,
    factor: int,
) -> tuple[tuple[Markup, str], ...]:
    def word(kind: Kind) -> str:
        return kind.name if kind.treat else f"{kind.name} (spared)"

    rows = [(_icon(by_kind[kind.name].svg()), word(kind)) for kind in site.kinds]
    grey = Mark(_SHAPES[0], "#4d4d4d", False)
    if fates:
        rows += [(_icon(grey.svg(fate)), fate) for fate in ("dead", "alive", "not seen") if fate in fates.values()]
    if doubted:
        rows.append((_icon(grey.svg(doubted=True)), "doubted: present with less than 50 %"))
    if controls:
        rows.append((_icon(grey.svg(None, True)), "control, left untreated"))
    if plan is not None and plan.stops:
        rows.append((_icon(f'<path d="{_KITE}" fill="#fff" stroke="#5a5449" stroke-width="1.4"/>'), "stop, heading"))
    large = '<ellipse rx="14" ry="9" fill="#4d4d4d" fill-opacity="0.1" stroke="#4d4d4d" stroke-opacity="0.6"/>'
    enlarged = f", drawn {factor} times larger" if factor > 1 else ", to scale"
    rows.append((_icon(large), "95 % ellipse of the crown" + enlarged))
    return tuple(rows)
