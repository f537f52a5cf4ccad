"""COCO JSON in and out.

Format: the COCO data format page (Lin et al. 2014, arXiv:1405.0312): ``images``, ``categories``, ``annotations`` with
``bbox`` [x, y, width, height], ``segmentation`` (polygons, or run-length masks), ``keypoints`` [x, y, v, ...]. COCO
coordinates put (0, 0) at the top-left *corner* of the picture; here pixel (0, 0) is the *centre* of the top-left pixel,
so 0.5 is taken off coming in and added going out.
"""

from __future__ import annotations

import json
import math
from dataclasses import dataclass
from pathlib import Path, PurePosixPath
from typing import Any

from swardwright.domain.errors import InputError
from swardwright.domain.frame import Label
from swardwright.domain.label import Outline
from swardwright.labels.shapes import box_round, mask_box, polygon_area

MAX_COCO_BYTES = 500_000_000
MAX_ITEMS = 2_000_000
MAX_SIDE_PX = 100_000
#: the box written is the outline's own where half its longer side is the label's radius to within this (pixels)
SAME_RADIUS_PX = 0.01


@dataclass(frozen=True)
class LabelledPicture:
    """One picture of a COCO file with its labels; none is a valid picture of bare ground.

    Attributes
    ----------
    file_name : str
        Relative path as in the file; ``Label.frame_id`` is the same.
    labels : tuple[Label, ...]
        One per annotation, pixels.
    ignored : tuple[Label, ...]
        Crowds (``iscrowd``): neither plants nor bare ground.
    outlines : tuple[Outline, ...]
        Polygons of each label in pixels, an empty one where none is given; none at all: no label has one.
    """

    file_name: str
    width_px: int
    height_px: int
    labels: tuple[Label, ...]
    ignored: tuple[Label, ...] = ()
    outlines: tuple[Outline, ...] = ()


@dataclass(frozen=True)
class LabelSet:
    """All pictures of a COCO file and the kinds it names."""

    kinds: tuple[str, ...]
    pictures: tuple[LabelledPicture, ...]
    notes: tuple[str, ...] = ()


def read_coco(path: Path, *, keep_doubtful: bool = False) -> LabelSet:
    """Read labels from a COCO JSON file.

    The box is the stated one, else the one around the polygons or mask. The crown is the key point if one is given (the
    first named ``crown``, else the first one marked), else the middle of the box; the radius is half the box's longer
    side: the smallest disc round that middle that reaches all four sides. A key point with neither box nor outline
    has the radius of the disc of the stated area.

    Parameters
    ----------
    keep_doubtful : bool
        Keep what cannot be taught, so that nothing a person wrote is lost and it can be doubted later: crowns outside
        their picture, and boxes without width or height (radius 0). Otherwise the first are left out with a note and
        the second are refused.

    Raises
    ------
    InputError
        Naming the field, for a file that is missing, too large, not JSON, or has a wrong id, a missing field, a
        number that is not finite, or a size that is not positive.
    """
    where = path.name
    if not path.is_file():
        raise InputError("there is no such label file", where=where, remedy="name an existing COCO JSON file")
    if path.stat().st_size > MAX_COCO_BYTES:
        raise InputError("the label file is too large", where=where, limit=f"{MAX_COCO_BYTES} bytes",
                         remedy="split it by place")  # fmt: skip
    try:
        raw = json.loads(path.read_bytes())
    except (ValueError, RecursionError) as error:
        raise InputError(f"the label file is not readable JSON: {error}", where=where,
                         remedy="export the labels again") from error  # fmt: skip
    return labels_from(raw, where, keep_doubtful=keep_doubtful)


def labels_from(raw: object, where: str, *, keep_doubtful: bool = False) -> LabelSet:
    """Build labels from parsed COCO JSON, checking every field that is used; see :func:`read_coco`."""
    if not isinstance(raw, dict):
        raise InputError("a COCO file is a table at the top", where=where, value=type(raw).__name__)
    images, categories, annotations = (_list(raw, key, where) for key in ("images", "categories", "annotations"))
    names: dict[int, str] = {}
    crown_at: dict[int, int] = {}
    for n, item in enumerate(categories):
        field = f"categories[{n}]"
        key = _id(item, "id", field, where)
        name = item.get("name")
        if not isinstance(name, str) or not name.strip() or len(name) > 200:
            raise InputError("a category needs a name", where=where, field=f"{field}.name", value=name)
        if key in names:
            raise InputError("two categories have the same id", where=where, field=f"{field}.id", value=key)
        names[key] = name.strip()
        points = item.get("keypoints")
        if isinstance(points, list) and "crown" in points:
            crown_at[key] = points.index("crown")
    if len(set(names.values())) != len(names):
        raise InputError("two categories have the same name", where=where, field="categories",
                         value=", ".join(names.values()))  # fmt: skip
    sizes: dict[int, tuple[str, int, int]] = {}
    taken: set[str] = set()
    for n, item in enumerate(images):
        field = f"images[{n}]"
        key = _id(item, "id", field, where)
        if key in sizes:
            raise InputError("two pictures have the same id", where=where, field=f"{field}.id", value=key)
        file_name = _relative(item.get("file_name"), f"{field}.file_name", where)
        if file_name in taken:
            raise InputError("two entries name the same picture", where=where, field=f"{field}.file_name",
                             value=file_name)  # fmt: skip
        taken.add(file_name)
        width, height = (_side(item.get(side), f"{field}.{side}", where) for side in ("width", "height"))
        sizes[key] = (file_name, width, height)
    labels: dict[int, list[tuple[Label, Outline]]] = {key: [] for key in sizes}
    ignored: dict[int, list[Label]] = {key: [] for key in sizes}
    seen: set[int] = set()
    outside = 0
    for n, item in enumerate(annotations):
        field = f"annotations[{n}]"
        if not isinstance(item, dict):
            raise InputError("an annotation must be a table", where=where, field=field, value=type(item).__name__)
        if "id" in item:
            key = _id(item, "id", field, where)
            if key in seen:
                raise InputError("two annotations have the same id", where=where, field=f"{field}.id", value=key)
            seen.add(key)
        image = _id(item, "image_id", field, where)
        category = _id(item, "category_id", field, where)
        if image not in sizes:
            raise InputError("the annotation names a picture that is not there", where=where,
                             field=f"{field}.image_id", value=image, limit="an id of images[]",
                             remedy="export the labels again together with their pictures")  # fmt: skip
        if category not in names:
            raise InputError("the annotation names a category that is not there", where=where,
                             field=f"{field}.category_id", value=category,
                             limit="one of: " + ", ".join(map(str, sorted(names)[:20])),
                             remedy="add the category or correct the id")  # fmt: skip
        file_name, width, height = sizes[image]
        u, v, radius = _plant(item, crown_at.get(category), (width, height), field, where, keep_doubtful)
        label = Label(file_name, u, v, radius, names[category])
        if item.get("iscrowd") in (1, True):
            ignored[image].append(label)
        elif not keep_doubtful and not (-0.5 <= u <= width - 0.5 and -0.5 <= v <= height - 0.5):
            outside += 1
        else:
            labels[image].append((label, _outline(item.get("segmentation"))))
    pictures = tuple(
        LabelledPicture(*sizes[key], tuple(label for label, _ in labels[key]), tuple(ignored[key]),
                        tuple(o for _, o in labels[key]) if any(o for _, o in labels[key]) else ())
        for key in sizes
    )  # fmt: skip
    notes = (f"{outside} labels whose crown lies outside their picture were left out",) if outside else ()
    return LabelSet(tuple(names[k] for k in sorted(names)), pictures, notes)


def write_coco(labels: LabelSet) -> str:
    """Return COCO JSON text: one key point ``crown``, a box, an area and, if known, the outline of each label.

    Reading it gives the same crowns, radii, kinds and outlines. The box is the outline's own where that has the label's
    radius, else the disc's; the area is the outline's, else the disc's.
    """
    kinds = {name: n + 1 for n, name in enumerate(labels.kinds)}
    images: list[dict[str, Any]] = []
    annotations: list[dict[str, Any]] = []
    for n, picture in enumerate(labels.pictures, start=1):
        images.append({
            "id": n, "file_name": picture.file_name, "width": picture.width_px, "height": picture.height_px,
        })  # fmt: skip
        for crowd, group in ((0, picture.labels), (1, picture.ignored)):
            for index, label in enumerate(group):
                if label.kind not in kinds:
                    raise InputError("the label's kind is not one of the kinds", where=picture.file_name,
                                     field="kind", value=label.kind, limit=", ".join(kinds))  # fmt: skip
                u, v, r = label.u_px + 0.5, label.v_px + 0.5, label.radius_px
                made = {
                    "id": len(annotations) + 1, "image_id": n, "category_id": kinds[label.kind], "iscrowd": crowd,
                    "bbox": [u - r, v - r, 2 * r, 2 * r], "area": math.pi * r * r,
                    "keypoints": [u, v, 2], "num_keypoints": 1,
                }  # fmt: skip
                outline = picture.outlines[index] if picture.outlines and not crowd else ()
                if outline:
                    shape = [[x + 0.5 for x in ring] for ring in outline]
                    made |= {"segmentation": shape, "area": sum(polygon_area(ring) for ring in shape)}
                    box = box_round(shape)
                    if abs(max(box[2:]) / 2 - r) < SAME_RADIUS_PX:
                        made["bbox"] = list(box)
                annotations.append(made)
    return json.dumps({
        "images": images,
        "categories": [
            {"id": i, "name": name, "keypoints": ["crown"], "skeleton": []} for name, i in kinds.items()
        ],
        "annotations": annotations,
    })  # fmt: skip


def picture_path(root: Path, file_name: str) -> Path:
    """Return the picture's path below ``root``; also found when the file lies at the top of ``root``.

    Raises
    ------
    InputError
        If it is not there, or a link leads out of ``root``.
    """
    base = root.resolve()
    for candidate in (base / file_name, base / PurePosixPath(file_name).name):
        resolved = candidate.resolve()
        if resolved.is_file() and resolved.is_relative_to(base):
            return resolved
    raise InputError("the picture named by the labels is not there", where=root.name, field="file_name",
                     value=file_name, remedy="give the folder that holds the pictures")  # fmt: skip


def _outline(shape: object) -> Outline:
    """Return the polygons of an annotation that was read, in pixels."""
    return tuple(tuple(float(x) - 0.5 for x in ring) for ring in shape) if isinstance(shape, list) else ()


def _plant(
    item: dict[str, Any], crown_at: int | None, size: tuple[int, int], field: str, where: str, keep_doubtful: bool
) -> tuple[float, float, float]:
    """Return u, v, radius (px) of one annotation."""
    stated_box = item.get("bbox")
    box = shape_box = None
    if stated_box is not None:
        x, y, w, h = _numbers(stated_box, 4, f"{field}.bbox", where)
        if (w <= 0 or h <= 0) and not keep_doubtful:
            raise InputError("a box needs a width and a height above 0", where=where, field=f"{field}.bbox",
                             value=stated_box, remedy="correct or remove the annotation")  # fmt: skip
        box = x, y, w, h
    shape = item.get("segmentation")
    if isinstance(shape, list) and shape:
        shape_box = _polygons(shape, f"{field}.segmentation", where)
    elif isinstance(shape, dict):
        shape_box = mask_box(shape, size, f"{field}.segmentation", where)
    elif shape not in (None, []):
        raise InputError("the outline must be a list of polygons or a mask", where=where,
                         field=f"{field}.segmentation", value=type(shape).__name__)  # fmt: skip
    if box is None or min(box[2:]) <= 0:
        box = shape_box or box
    middle = radius = None
    if box is not None:
        x, y, w, h = box
        middle, radius = (x + w / 2, y + h / 2), max(w, h) / 2 if w > 0 and h > 0 else 0.0
    points = item.get("keypoints")
    if isinstance(points, list) and points:
        marked = _key_point(points, crown_at, f"{field}.keypoints", where)
        middle = marked or middle
    if middle is None:
        raise InputError("the annotation has no box, outline or key point", where=where, field=field,
                         remedy="give it a box, an outline or a key point")  # fmt: skip
    if radius is None:
        stated = item.get("area")
        if isinstance(stated, bool) or not isinstance(stated, int | float) or not 0 < stated < 1e12:
            raise InputError("a key point alone needs an area above 0 for the radius", where=where,
                             field=f"{field}.area", value=stated, remedy="give it a box or an area")  # fmt: skip
        radius = math.sqrt(stated / math.pi)
    return middle[0] - 0.5, middle[1] - 0.5, radius


def _polygons(shape: list[Any], field: str, where: str) -> tuple[float, float, float, float]:
    """Return the box around the polygons, checking that they enclose something."""
    rings = [_numbers(polygon, None, f"{field}[{n}]", where) for n, polygon in enumerate(shape)]
    for n, flat in enumerate(rings):
        if len(flat) < 6 or len(flat) % 2:
            raise InputError("a polygon needs three or more x, y pairs", where=where, field=f"{field}[{n}]",
                             value=f"{len(flat)} numbers")  # fmt: skip
    if sum(polygon_area(ring) for ring in rings) <= 0:
        raise InputError("the outline encloses nothing", where=where, field=field,
                         remedy="correct or remove the annotation")  # fmt: skip
    return box_round(rings)


def _key_point(points: list[Any], crown_at: int | None, field: str, where: str) -> tuple[float, float] | None:
    flat = _numbers(points, None, field, where)
    if len(flat) % 3:
        raise InputError("key points come in threes: x, y, visibility", where=where, field=field,
                         value=f"{len(flat)} numbers")  # fmt: skip
    triples = [flat[i : i + 3] for i in range(0, len(flat), 3)]
    if crown_at is not None and crown_at < len(triples):
        triples = [triples[crown_at]]
    for x, y, visible in triples:
        if visible > 0:
            return x, y
    return None


def _list(raw: dict[str, Any], key: str, where: str) -> list[Any]:
    value = raw.get(key)
    if not isinstance(value, list):
        raise InputError("a COCO file needs this list", where=where, field=key, value=type(value).__name__,
                         remedy="export the labels as COCO object detection JSON")  # fmt: skip
    if len(value) > MAX_ITEMS:
        raise InputError("the list is too long", where=where, field=key, value=len(value), limit=MAX_ITEMS)
    return value


def _id(item: object, key: str, field: str, where: str) -> int:
    if not isinstance(item, dict):
        raise InputError("the entry must be a table", where=where, field=field, value=type(item).__name__)
    value = item.get(key)
    if isinstance(value, bool) or not isinstance(value, int):
        raise InputError("an id must be a whole number", where=where, field=f"{field}.{key}", value=value,
                         remedy="export the labels again")  # fmt: skip
    return value


def _side(value: object, field: str, where: str) -> int:
    if isinstance(value, bool) or not isinstance(value, int) or not 0 < value <= MAX_SIDE_PX:
        raise InputError("a picture needs its size in whole pixels", where=where, field=field, value=value,
                         limit=f"1 to {MAX_SIDE_PX}")  # fmt: skip
    return value


def _numbers(value: object, count: int | None, field: str, where: str) -> list[float]:
    if not isinstance(value, list) or (count is not None and len(value) != count):
        raise InputError(f"{count or 'a list of'} numbers are needed", where=where, field=field, value=value)
    for n, number in enumerate(value):
        if isinstance(number, bool) or not isinstance(number, int | float) or not math.isfinite(number) \
                or abs(number) > 1e7:  # fmt: skip
            raise InputError("the number must be finite", where=where, field=f"{field}[{n}]", value=number)
    return [float(number) for number in value]


def _relative(value: object, field: str, where: str) -> str:
    if not isinstance(value, str) or not value or len(value) > 1000 or "\0" in value:
        raise InputError("a picture needs a file name", where=where, field=field, value=value)
    path = PurePosixPath(value.replace("\\", "/"))
    if path.is_absolute() or ".." in path.parts or ":" in path.parts[0]:
        raise InputError("a picture's name must stay inside the picture folder", where=where, field=field, value=value,
                         remedy="use a relative path without '..'")  # fmt: skip
    return str(path)
