"""COCO JSON in and out."""

import copy
import json
import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from swardwright.domain.errors import InputError
from swardwright.domain.frame import Label
from swardwright.labels import LabelledPicture, LabelSet, labels_from, picture_path, read_coco, write_coco

SQUARE = [[10, 20, 30, 20, 30, 40, 10, 40]]
GOOD = {
    "images": [{"id": 7, "file_name": "a/b.jpg", "width": 100, "height": 80},
               {"id": 9, "file_name": "a/bare.jpg", "width": 100, "height": 80}],
    "categories": [{"id": 3, "name": "dock", "keypoints": ["tip", "crown"]}, {"id": 4, "name": "daisy"}],
    "annotations": [{"id": 1, "image_id": 7, "category_id": 4, "bbox": [10, 20, 20, 20], "segmentation": SQUARE}],
}  # fmt: skip


def with_annotation(**fields):
    raw = copy.deepcopy(GOOD)
    raw["annotations"] = [{"id": 1, "image_id": 7, "category_id": 4, **fields}]
    return raw


def only(raw):
    [label] = labels_from(raw, "x.json").pictures[0].labels
    return label


def test_the_box_says_crown_and_radius():
    """Worked by hand: the box's middle is (20, 30) in corner coordinates, 19.5 and 29.5 in pixel centres."""
    label = only(GOOD)
    assert (label.u_px, label.v_px) == pytest.approx((19.5, 29.5))
    assert label.radius_px == pytest.approx(10.0)
    assert label.kind == "daisy"


def test_an_outline_without_a_box_has_the_box_round_it():
    """A right triangle: its centre of mass (12, 24) is not the middle of its box (15, 26); two polygons share one."""
    triangle = [5.0, 20.0, 25.0, 20.0, 5.0, 32.0]
    label = only(with_annotation(segmentation=[triangle]))
    assert (label.u_px, label.v_px, label.radius_px) == pytest.approx((14.5, 25.5, 10.0))
    label = only(with_annotation(segmentation=[triangle, [40.0, 20.0, 45.0, 20.0, 45.0, 60.0]]))
    assert (label.u_px, label.v_px, label.radius_px) == pytest.approx((24.5, 39.5, 20.0))
    mask = {"size": [80, 100], "counts": [80 * 10 + 20, 5, 75, 7, 8000 - 907]}
    label = only(with_annotation(segmentation=mask))  # columns 10 and 11, rows 20 to 26
    assert (label.u_px, label.v_px, label.radius_px) == pytest.approx((10.5, 23.0, 3.5))


def test_the_stated_box_goes_before_the_outline_and_the_area():
    label = only(with_annotation(bbox=[8, 20, 30, 20], segmentation=SQUARE, area=1.0))
    assert (label.u_px, label.v_px, label.radius_px) == pytest.approx((22.5, 29.5, 15.0))
    raw = with_annotation(bbox=[8, 20, 0, 20], segmentation=SQUARE)
    with pytest.raises(InputError, match="width and a height"):
        labels_from(raw, "x")
    [label] = labels_from(raw, "x", keep_doubtful=True).pictures[0].labels
    assert (label.u_px, label.v_px, label.radius_px) == pytest.approx((19.5, 29.5, 10.0))


def test_a_key_point_with_an_area_alone_has_the_radius_of_its_disc():
    label = only(with_annotation(keypoints=[12.5, 21.5, 2], area=100.0))
    assert (label.u_px, label.v_px) == pytest.approx((12.0, 21.0))
    assert label.radius_px == pytest.approx(math.sqrt(100 / math.pi))
    with pytest.raises(InputError, match="needs an area"):
        labels_from(with_annotation(keypoints=[12.5, 21.5, 2]), "x")


def test_pictures_without_annotations_stay_as_bare_ground():
    pictures = labels_from(GOOD, "x.json").pictures
    assert [p.file_name for p in pictures] == ["a/b.jpg", "a/bare.jpg"]
    assert pictures[1].labels == ()


def test_box_alone_and_key_point():
    label = only(with_annotation(bbox=[10, 20, 20, 40]))
    assert (label.u_px, label.v_px, label.radius_px) == pytest.approx((19.5, 39.5, 20.0))
    raw = with_annotation(bbox=[10, 20, 20, 40], keypoints=[1, 2, 0, 12.5, 21.5, 2])
    assert (only(raw).u_px, only(raw).v_px) == pytest.approx((12.0, 21.0))
    raw["annotations"][0]["category_id"] = 3  # its second key point is named crown
    raw["annotations"][0]["keypoints"] = [50, 50, 2, 30, 31, 1]
    assert (only(raw).u_px, only(raw).v_px) == pytest.approx((29.5, 30.5))


def test_crowds_are_ignored_ground_and_crowns_outside_are_left_out():
    raw = with_annotation(bbox=[10, 20, 20, 20], iscrowd=1)
    [picture, _] = labels_from(raw, "x").pictures
    assert picture.labels == ()
    assert len(picture.ignored) == 1
    got = labels_from(with_annotation(bbox=[200, 20, 20, 20]), "x")
    assert got.pictures[0].labels == ()
    assert got.notes


def test_against_pycocotools():
    """Outside check: pycocotools' area of random polygons, and boxes of its compressed and plain run lengths."""
    masks = pytest.importorskip("pycocotools.mask")
    from swardwright.labels.shapes import box_round, mask_box, polygon_area

    rng = np.random.default_rng(2)
    for _ in range(20):
        angle = np.sort(rng.uniform(0, 2 * np.pi, 9))
        radius = rng.uniform(25, 60, 9)
        polygon = np.stack([100 + radius * np.cos(angle), 90 + radius * np.sin(angle)], 1).ravel().tolist()
        rle = masks.frPyObjects([polygon], 180, 200)[0]
        drawn = masks.decode(rle)
        assert polygon_area(polygon) == pytest.approx(float(masks.area(rle)), rel=0.03)
        box = masks.toBbox(rle).tolist()
        assert box_round([polygon]) == pytest.approx(box, abs=3.0)  # sharp corners cover no whole pixel
        text = {"size": [180, 200], "counts": rle["counts"].decode()}
        assert list(mask_box(text, (200, 180), "f", "x")) == box
        # columns filled to the bottom and on from the top of the next: the runs go on across columns
        for filled in (drawn, np.roll(drawn, 90, axis=0), np.where(np.arange(180)[:, None] < 100, drawn, 0)):
            flat = filled.ravel(order="F")
            edges = np.flatnonzero(np.diff(np.concatenate([[0], flat]))).tolist()
            plain = {"size": [180, 200], "counts": np.diff([0, *edges, flat.size]).tolist()}
            want = masks.toBbox(masks.encode(np.asfortranarray(filled.astype(np.uint8)))).tolist()
            assert list(mask_box(plain, (200, 180), "f", "x")) == want


BAD = [
    ("images", lambda r: r.pop("images")),
    ("annotations", lambda r: r.update(annotations={})),
    ("images[1].id", lambda r: r["images"][1].update(id=7)),
    ("images[0].id", lambda r: r["images"][0].update(id="7")),
    ("images[0].width", lambda r: r["images"][0].update(width=0)),
    ("images[0].height", lambda r: r["images"][0].update(height=12.5)),
    ("images[0].file_name", lambda r: r["images"][0].update(file_name="../../etc/x.jpg")),
    ("images[0].file_name", lambda r: r["images"][0].update(file_name="/x.jpg")),
    ("images[0].file_name", lambda r: r["images"][0].update(file_name="C:\\x.jpg")),
    ("images[1].file_name", lambda r: r["images"][1].update(file_name="a/b.jpg")),
    ("categories[1].id", lambda r: r["categories"][1].update(id=3)),
    ("categories[0].name", lambda r: r["categories"][0].update(name="")),
    ("annotations[0].image_id", lambda r: r["annotations"][0].update(image_id=8)),
    ("annotations[0].category_id", lambda r: r["annotations"][0].update(category_id=99)),
    ("annotations[0].category_id", lambda r: r["annotations"][0].pop("category_id")),
    ("annotations[1].id", lambda r: r["annotations"].append(dict(r["annotations"][0]))),
    ("annotations[0].bbox", lambda r: r["annotations"][0].update(bbox=[1, 2, 0, 4])),
    ("annotations[0].bbox", lambda r: r["annotations"][0].update(bbox=[1, 2, 3])),
    ("annotations[0].bbox[2]", lambda r: r["annotations"][0].update(bbox=[1, 2, float("nan"), 4])),
    ("annotations[0].segmentation", lambda r: r["annotations"][0].update(segmentation=[[1, 1, 5, 5, 9, 9]])),
    ("annotations[0].segmentation[0]", lambda r: r["annotations"][0].update(segmentation=[[1, 1, 5, 5]])),
    ("annotations[0].segmentation.size",
     lambda r: r["annotations"][0].update(segmentation={"size": [8, 10], "counts": [80]})),
    ("annotations[0].segmentation.counts",
     lambda r: r["annotations"][0].update(segmentation={"size": [80, 100], "counts": [5, 5]})),
    ("annotations[0].segmentation.counts",
     lambda r: r["annotations"][0].update(segmentation={"size": [80, 100], "counts": "\x01"})),
    ("annotations[0].keypoints", lambda r: r["annotations"][0].update(keypoints=[1, 2])),
    ("annotations[0]", lambda r: r.update(annotations=[{"image_id": 7, "category_id": 4}])),
    ("annotations[0]", lambda r: r.update(annotations=[5])),
]  # fmt: skip


@pytest.mark.parametrize(("field", "spoil"), BAD, ids=[f"{n}-{f}" for n, (f, _) in enumerate(BAD)])
def test_wrong_files_are_refused_with_the_field(field, spoil):
    raw = copy.deepcopy(GOOD)
    spoil(raw)
    with pytest.raises(InputError) as caught:
        labels_from(raw, "labels.json")
    assert caught.value.field == field
    assert "labels.json" in caught.value.sentence()


def test_files_that_are_not_coco(tmp_path):
    with pytest.raises(InputError, match="no such"):
        read_coco(tmp_path / "no.json")
    path = tmp_path / "x.json"
    for text in ("", "{", "[]", "3", "[" * 100_000):
        path.write_text(text)
        with pytest.raises(InputError):
            read_coco(path)


@settings(max_examples=40, deadline=None)
@given(
    st.lists(
        st.tuples(st.floats(0, 99), st.floats(0, 79), st.floats(0.5, 60), st.sampled_from(["dock", "a"])), max_size=6
    )
)
def test_out_and_in_again(rows):
    labels = tuple(Label("p.jpg", u, v, r, k) for u, v, r, k in rows)
    text = write_coco(LabelSet(("dock", "a"), (LabelledPicture("p.jpg", 100, 80, labels, labels[:1]),)))
    [back] = labels_from(json.loads(text), "x").pictures
    assert len(back.labels) == len(labels)
    assert len(back.ignored) == len(labels[:1])
    for a, b in zip(back.labels, labels, strict=True):
        assert (a.u_px, a.v_px, a.radius_px) == pytest.approx((b.u_px, b.v_px, b.radius_px), abs=1e-9)
        assert a.kind == b.kind


def test_written_file_is_read_by_pycocotools(tmp_path):
    """Outside check: pycocotools opens what is written and finds the same boxes."""
    coco = pytest.importorskip("pycocotools.coco")
    path = tmp_path / "out.json"
    label = Label("p.jpg", 30.0, 40.0, 10.0, "dock")
    path.write_text(write_coco(LabelSet(("dock",), (LabelledPicture("p.jpg", 100, 80, (label,)),))))
    api = coco.COCO(str(path))
    [annotation] = api.loadAnns(api.getAnnIds())
    assert annotation["bbox"] == pytest.approx([20.5, 30.5, 20, 20])
    assert api.loadCats(annotation["category_id"])[0]["name"] == "dock"


def test_picture_paths_stay_inside(tmp_path):
    root = tmp_path / "root"
    root.mkdir()
    (tmp_path / "secret.jpg").write_bytes(b"x")
    (root / "link.jpg").symlink_to(tmp_path / "secret.jpg")
    (root / "b.jpg").write_bytes(b"x")
    assert picture_path(root, "some/folder/b.jpg").name == "b.jpg"
    for name in ("link.jpg", "../secret.jpg", "no.jpg"):
        with pytest.raises(InputError):
            picture_path(root, name)


def test_doubtful_labels_are_kept_when_asked_for():
    raw = with_annotation(bbox=[200, 20, 20, 20])
    raw["annotations"].append({"id": 2, "image_id": 7, "category_id": 3, "bbox": [10, 20, 0, 20]})
    with pytest.raises(InputError):
        labels_from(raw, "x")
    got = labels_from(raw, "x", keep_doubtful=True)
    assert [(b.u_px, b.v_px, b.radius_px) for b in got.pictures[0].labels] == [(209.5, 29.5, 10.0), (9.5, 29.5, 0.0)]
    assert got.notes == ()
    back = labels_from(json.loads(write_coco(got)), "x", keep_doubtful=True)
    assert back.pictures == got.pictures


def test_outlines_come_back_and_pycocotools_sees_the_same_area(tmp_path):
    """Outside check: pycocotools' mask of the written outline against that of the polygon that came in, and its box."""
    coco = pytest.importorskip("pycocotools.coco")
    masks = pytest.importorskip("pycocotools.mask")
    rng = np.random.default_rng(8)
    for _ in range(10):
        angle = np.sort(rng.uniform(0, 2 * np.pi, 9))
        ring = np.stack([50 + 30 * np.cos(angle), 40 + 25 * np.sin(angle)], 1).ravel().tolist()
        crown = [float(v) for v in rng.uniform(30, 60, 2)]
        raw = with_annotation(segmentation=[ring], keypoints=[0, 0, 0, *crown, 2])
        raw["annotations"][0]["category_id"] = 3
        first = labels_from(raw, "x")
        path = tmp_path / "out.json"
        path.write_text(write_coco(first))
        api = coco.COCO(str(path))
        [annotation] = api.loadAnns(api.getAnnIds())
        want = masks.decode(masks.merge(masks.frPyObjects([ring], 80, 100)))
        assert (api.annToMask(annotation) == want).all()
        assert annotation["area"] == pytest.approx(float(want.sum()), rel=0.05)
        assert annotation["bbox"] == pytest.approx(masks.toBbox(masks.encode(np.asfortranarray(want))), abs=1.0)
        assert annotation["keypoints"][:2] == pytest.approx(crown)
        back = read_coco(path)
        for a, b in zip(back.pictures, first.pictures, strict=True):
            for one, two in zip(a.labels, b.labels, strict=True):
                assert (one.u_px, one.v_px, one.radius_px) == pytest.approx(
                    (two.u_px, two.v_px, two.radius_px), abs=1e-6
                )
            assert [np.allclose(p[0], q[0]) for p, q in zip(a.outlines, b.outlines, strict=True)] == [True] * len(
                a.outlines
            )


def test_an_outline_that_has_not_the_labels_radius_comes_back_too():
    """The radius stays the label's: the box written is the disc's then."""
    ring = ((10.0, 10.0, 30.0, 10.0, 30.0, 30.0, 10.0, 30.0),)
    label = Label("p.jpg", 20.0, 20.0, 40.0, "dock")
    text = write_coco(LabelSet(("dock",), (LabelledPicture("p.jpg", 100, 80, (label,), (), (ring,)),)))
    [annotation] = json.loads(text)["annotations"]
    assert annotation["area"] == pytest.approx(400)
    [back] = labels_from(json.loads(text), "x").pictures
    assert back.labels[0].radius_px == pytest.approx(40.0)
    assert back.outlines == (ring,)
