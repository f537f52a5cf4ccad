"""Is the arm clear of itself, the base and the ground? Capsules around the links, batched over postures.

Each box, cylinder or sphere in the URDF's collision geometry is wrapped whole in a capsule (a segment with a radius).
A link without any gets a capsule from its joint to the next; meshes are not read, so their links count as without.
The base is the box of the site file (its footprint, up to the arm's foot) with the URDF's shapes of the base as
further boxes, and the site file's gas bottle as a capsule. The ground is the plane z = 0 of base axes.

Not compared: links next to each other, and two links that overlap in nearly all postures. Two links that overlap in one
of the rig's own postures (rest, survey, look: the machine's owner says that it stands so) are not compared either where
the joints between them lie close together (a wrist, a shoulder: its joint limits keep them apart), else they may
overlap as far as there and 2 cm more, not further.

Closest points of two segments: Ericson 2005, section 5.1.9 (from memory).
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property
from itertools import combinations, pairwise, product

import numpy as np
from numpy.typing import NDArray

from swardwright.domain.arm import Arm, Joint, Shape
from swardwright.domain.poses import Array
from swardwright.domain.site import Bottle, Rig

#: radius of a link that the URDF draws no shape for, m (common practice, no source)
ARM_RADIUS_M = 0.05
#: the same for a bracket, a link fixed to the next, m (common practice, no source)
BRACKET_RADIUS_M = 0.02
#: the arm stays this far above ground, m; the head's own body half its stand-off where that is less
GROUND_CLEAR_M = 0.04
#: a capsule may be this much thicker than its cylinder, so that its round ends stand out less, m
_THICKER_M = 0.003
#: two links with less than this between the joints that part them count as close together, m
_ARC_M = 0.16
_ALWAYS, _DRAWS = 0.9, 400
#: what two links that overlap in the rig's own postures may overlap more, m
_EXCUSED_M = 0.02
_SAME_PLACE_M = 0.01
#: beyond this gap to the base only a lower bound of it is worked out, m
_NEAR_M = 0.10


@dataclass(frozen=True, eq=False)
class CollisionModel:
    """Capsules (c of them) on the links, what they are compared with, and how far they must stay off.

    Attributes
    ----------
    ends_m : Array
        Shape (c, 2, 3): the segment's ends, link axes.
    pairs : NDArray[np.int64]
        Shape (p, 2): capsules that may strike each other.
    apart_m : Array
        Shape (p,): how far apart the pairs' segments must be.
    base_can_strike : NDArray[np.bool_]
        Shape (c,).
    ground_clear_m : Array
        Shape (c,): least height of the capsule's surface.
    boxes : tuple[tuple[Array, Array], ...]
        The base: ``box_from_base`` (4, 4) and half extents (3,).
    bottle : tuple[Array, float] | None
        The gas bottle: a capsule's ends (2, 3), base axes, and its radius, m.
    ignored : tuple[tuple[str, str], ...]
        Links not compared though they are not neighbours.
    excused : tuple[tuple[str, str], ...]
        Links that may overlap as far as they do in the rig's own postures.
    """

    links: tuple[str, ...]
    ends_m: Array
    radius_m: Array
    pairs: NDArray[np.int64]
    apart_m: Array
    base_can_strike: NDArray[np.bool_]
    ground_clear_m: Array
    boxes: tuple[tuple[Array, Array], ...]
    bottle: tuple[Array, float] | None = None
    ignored: tuple[tuple[str, str], ...] = ()
    excused: tuple[tuple[str, str], ...] = ()

    def capsules_m(self, arm: Arm, joints_rad: Array) -> Array:
        """Return the ends of all capsules, base axes, shape (n, c, 2, 3), of joints (n, dof)."""
        return self._capsules_m(arm.place(joints_rad, self.links))

    def _capsules_m(self, base_from_link: Array) -> Array:
        turned = self.ends_m @ np.swapaxes(base_from_link[..., :3, :3], -1, -2)
        ends: Array = turned + base_from_link[..., None, :3, 3]
        return ends

    def gaps_m(self, arm: Arm, joints_rad: Array) -> Array:
        """Return what is left to the nearest strike, shape (n, 3): with itself, the base, the ground; negative: struck.

        A gap to the base above 0.1 m is a lower bound.
        """
        return self.gaps_placed_m(arm.place(joints_rad, self.links))

    def gaps_placed_m(self, base_from_link: Array) -> Array:
        """Return the same from ``base_from_link`` (n, links, 4, 4) of the model's links."""
        ends = self._capsules_m(base_from_link)
        out = np.full((len(ends), 3), np.inf)
        if len(self.pairs):
            one, two = self.pairs.T
            out[:, 0] = (segments_apart_m(ends[:, one], ends[:, two]) - self.apart_m).min(axis=1)
        out[:, 1] = self._base_gap_m(ends)
        out[:, 2] = (ends[..., 2].min(axis=2) - self.radius_m - self.ground_clear_m).min(axis=1)
        return out

    def _base_gap_m(self, ends: Array) -> Array:
        able = np.flatnonzero(self.base_can_strike)
        own = ends[:, able]
        turn, shift, half = self._box_parts
        seen = own.reshape(len(ends), 1, 2 * len(able), 3) @ turn + shift
        seen = seen.reshape(len(ends), len(half), len(able), 2, 3)
        a, b = seen[..., 0, :], seen[..., 1, :]
        least = _off_box(0.5 * (a + b), half) - 0.5 * _norm(b - a)
        near = least < _NEAR_M + self.radius_m[able]
        least[near] = segment_off_box_m(a[near], b[near], np.broadcast_to(half, a.shape)[near])
        gap = least.min(axis=1) - self.radius_m[able]
        if self.bottle is not None:
            gap = np.minimum(gap, self._off_bottle_m(ends[:, able], self.radius_m[able]))
        return gap.min(axis=1) if len(able) else np.full(len(ends), np.inf)

    @cached_property
    def _box_parts(self) -> tuple[Array, Array, Array]:
        """All boxes' rotation transposed (b, 3, 3), shift (b, 1, 3) and half extents (b, 1, 3)."""
        place, half = np.array([one for one, _ in self.boxes]), np.array([two for _, two in self.boxes])
        return np.swapaxes(place[:, :3, :3], 1, 2), place[:, None, :3, 3], half[:, None]

    def bottle_gap_m(self, arm: Arm, joints_rad: Array) -> Array:
        """Return what is left to the gas bottle, m, shape (n,), of joints (n, dof); inf without one."""
        gap: Array = self._off_bottle_m(self.capsules_m(arm, joints_rad), self.radius_m).min(axis=1)
        return gap

    def _off_bottle_m(self, ends: Array, radius: Array) -> Array:
        if self.bottle is None:
            return np.full(ends.shape[:2], np.inf)
        return segments_apart_m(ends, self.bottle[0]) - radius - self.bottle[1]


def segments_apart_m(one: Array, two: Array) -> Array:
    """Return the distance of segments (..., 2, 3) from each other, shape (...)."""
    p, q = one[..., 0, :], two[..., 0, :]
    u, v, w = one[..., 1, :] - p, two[..., 1, :] - q, p - q
    a, e, f, b, c = _dot(u, u), _dot(v, v), _dot(v, w), _dot(u, v), _dot(u, w)
    a, e = np.maximum(a, 1e-18), np.maximum(e, 1e-18)
    across = a * e - b * b
    s = np.where(across > 1e-12 * a * e, _share((b * f - c * e) / np.maximum(across, 1e-30)), 0.0)
    t = _share((b * s + f) / e)
    s = _share((b * t - c) / a)
    return _norm(w + s[..., None] * u - t[..., None] * v)


def _dot(one: Array, two: Array) -> Array:
    dot: Array = np.einsum("...i,...i->...", one, two)
    return dot


def _norm(vectors: Array) -> Array:
    norm: Array = np.sqrt(_dot(vectors, vectors))
    return norm


def _share(value: Array) -> Array:
    share: Array = np.minimum(np.maximum(value, 0.0), 1.0)
    return share


def _off_box(points: Array, half: Array) -> Array:
    return _norm(np.maximum(np.abs(points) - half, 0.0))


def segment_off_box_m(a: Array, b: Array, half: Array) -> Array:
    """Return the distance of segments a-b (n, 3) from a box about the origin with half extents (3,) or (n, 3).

    Half the squared distance is convex along the segment, its slope straight between the places where the segment
    passes the planes of the box's sides: the two of these between which the slope changes sign say where it is zero.
    """
    span = b - a
    with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
        passes = (np.stack([half, -half], axis=-2) - a[:, None]) / span[:, None]
    place = np.zeros((len(a), 8))
    place[:, 1] = 1.0
    place[:, 2:] = _share(np.where(np.isfinite(passes), passes, 0.0)).reshape(-1, 6)
    at = a[:, None] + place[..., None] * span[:, None]
    side = half[..., None, :]
    slope = _dot(at - np.minimum(np.maximum(at, -side), side), span[:, None])
    falls = slope <= 0.0
    low, high = np.where(falls, place, 0.0).max(axis=1), np.where(falls, 1.0, place).min(axis=1)
    fall, rise = np.where(falls, slope, -np.inf).max(axis=1), np.where(falls, np.inf, slope).min(axis=1)
    between = np.isfinite(fall) & np.isfinite(rise)
    with np.errstate(invalid="ignore"):
        inner = low - fall * (high - low) / (rise - fall)
    best = np.where(between, inner, np.where(np.isfinite(rise), 0.0, 1.0))
    return _off_box(a + best[:, None] * span, half)


def capsule_round(shape: Shape) -> tuple[Array, float]:
    """Return a capsule that holds the whole shape: its ends (2, 3), link axes, and its radius, m."""
    size = shape.size_m
    along = 2 if shape.kind == "cylinder" else int(np.argmax(size))
    across = np.delete(size, along) / 2.0
    thick = float(across[0]) if shape.kind in ("cylinder", "sphere") else float(np.hypot(*across))
    half = float(size[along]) / 2.0
    if shape.kind == "sphere":
        inner, radius = 0.0, thick
    else:
        inner = max(0.0, half - float(np.sqrt((thick + _THICKER_M) ** 2 - thick**2)))
        radius = float(np.hypot(thick, half - inner))
    ends = np.zeros((2, 3))
    ends[:, along] = (-inner, inner)
    return ends @ shape.link_from_shape[:3, :3].T + shape.link_from_shape[:3, 3], radius


def build_model(rig: Rig, box: tuple[Array, Array]) -> CollisionModel:
    """Build the model of a rig; ``box``: lowest and highest corner of the base's box, base axes, m."""
    arm = rig.arm
    names = {joint.name for joint in arm.moving}
    body = {link: tuple(j for j in arm.chain(link) if j.name in names) for link in arm.links}
    drawn = {shape.link for shape in arm.shapes}
    found: list[tuple[str, Array, float, bool]] = [
        (shape.link, *capsule_round(shape), False) for shape in arm.shapes if body[shape.link]
    ]
    for joint in arm.joints:
        span = joint.origin[:3, 3]
        if body[joint.parent] and joint.parent not in drawn and np.linalg.norm(span) > _SAME_PLACE_M:
            radius = ARM_RADIUS_M if joint.name in names else BRACKET_RADIUS_M
            found.append((joint.parent, np.array([np.zeros(3), span]), radius, True))
    links = tuple(link for link, *_ in found)
    head_body = body[rig.head.link]
    clear = [
        min(GROUND_CLEAR_M, 0.5 * rig.head.standoff_m) if body[link] == head_body else GROUND_CLEAR_M for link in links
    ]
    pairs = [(i, j) for i, j in combinations(range(len(links)), 2)
             if not _neighbours(body[links[i]], body[links[j]], found[i][3] or found[j][3])]  # fmt: skip
    boxes: list[tuple[Array, Array]] = [(_shift(-(box[0] + box[1]) / 2.0), (box[1] - box[0]) / 2.0)]
    for shape in arm.shapes:
        if not body[shape.link]:
            base_from_shape = arm.forward(np.zeros(len(arm.moving)), shape.link) @ shape.link_from_shape
            boxes.append((np.asarray(np.linalg.inv(base_from_shape), dtype=float), shape.size_m / 2.0))
    boxes = [box for n, box in enumerate(boxes) if not any(_within(box, other) for other in boxes[:n])]
    radii = np.array([r for *_, r, _ in found])
    index = np.array(pairs, dtype=np.int64).reshape(-1, 2)
    whole = CollisionModel(
        links, np.array([ends for _, ends, _, _ in found]).reshape(-1, 2, 3), radii, index,
        radii[index].sum(axis=1), np.array([_joints_apart(body[link]) > 1 for link in links], dtype=bool),
        np.array(clear), tuple(boxes), None if rig.bottle is None else _bottle(rig.bottle),
    )  # fmt: skip
    return _with_excuses(rig, whole, body)


def _bottle(bottle: Bottle) -> tuple[Array, float]:
    matrix = _shift(np.array([bottle.x_m, bottle.y_m, bottle.z_m + bottle.height_m / 2.0]))
    size = np.array([2.0 * bottle.radius_m, 2.0 * bottle.radius_m, bottle.height_m])
    return capsule_round(Shape("bottle", "cylinder", matrix, size))


def _with_excuses(rig: Rig, whole: CollisionModel, body: dict[str, tuple[Joint, ...]]) -> CollisionModel:
    """Leave out the pairs that overlap nearly always; let others overlap as far as in the rig's own postures."""
    arm = rig.arm
    own = np.array([rig.rest_joints_rad, rig.survey_joints_rad, *rig.look_joints_rad], dtype=float)
    drawn = np.random.default_rng(7).uniform(arm.lower_rad, arm.upper_rad, (_DRAWS, len(arm.moving)))
    one, two = whole.pairs.T

    def apart(joints: Array) -> Array:
        ends = whole.capsules_m(arm, joints)
        return segments_apart_m(ends[:, one], ends[:, two])

    keep = (apart(drawn) <= whole.apart_m).mean(axis=0) <= _ALWAYS
    stands = apart(own).min(axis=0)
    near = np.array([_neighbours(body[whole.links[i]], body[whole.links[j]], True) for i, j in whole.pairs], dtype=bool)
    keep &= ~(near & (stands < whole.apart_m))
    named = [(whole.links[i], whole.links[j]) for i, j in whole.pairs]
    excused = keep & (stands < whole.apart_m)
    needed = np.where(excused, stands - _EXCUSED_M, whole.apart_m)
    return replace(
        whole, pairs=whole.pairs[keep], apart_m=needed[keep],
        ignored=tuple(pair for pair, kept in zip(named, keep, strict=True) if not kept),
        excused=tuple(pair for pair, ok in zip(named, excused, strict=True) if ok),
    )  # fmt: skip


def _neighbours(one: tuple[Joint, ...], two: tuple[Joint, ...], undrawn: bool) -> bool:
    """Return whether two rigid bodies, each by the moving joints that lead to it, are next to each other."""
    shared = sum(1 for a, b in zip(one, two, strict=False) if a is b)
    between = (*reversed(one[shared:]), *two[shared:])
    return _joints_apart(between) <= 1 or (undrawn and sum(_span_m(b) for b in between[1:]) < _ARC_M)


def _joints_apart(joints: tuple[Joint, ...]) -> int:
    """Count joints, those at the same place as the one before as one."""
    return min(len(joints), 1) + sum(_span_m(b) > _SAME_PLACE_M for _, b in pairwise(joints))


def _span_m(joint: Joint) -> float:
    return float(np.linalg.norm(joint.origin[:3, 3]))


def _within(box: tuple[Array, Array], other: tuple[Array, Array]) -> bool:
    """Return whether all corners of one box (``box_from_base``, half extents) lie within another."""
    corners = np.array(list(product((-1.0, 1.0), repeat=3))) * box[1]
    seen = (other[0] @ np.linalg.inv(box[0]) @ np.column_stack([corners, np.ones(8)]).T)[:3].T
    return bool((np.abs(seen) <= other[1] + 1e-12).all())


def _shift(by: Array) -> Array:
    matrix = np.eye(4)
    matrix[:3, 3] = by
    return matrix
