"""The doubt list: planted faults are found, clean labels raise no doubt, and the order follows the doubt."""

from __future__ import annotations

import math

import cv2
import numpy as np
import pytest

from swardwright.domain.frame import Detection, Frame, Label
from swardwright.domain.label import LabelledFrame
from swardwright.labels.doubts import DoubtSettings, doubts, inside

KINDS = ("dock", "daisy")


def frame(number: int, labels, **fields) -> LabelledFrame:
    one = Frame(f"a/{number:05d}", "a", number, f"{number}.png", (1000, 800))
    return LabelledFrame(one, "", tuple(Label(one.id, *row) for row in labels), **fields)


def clean(seed: int = 1) -> list[LabelledFrame]:
    rng = np.random.default_rng(seed)
    found = []
    for n in range(4):
        grid = [(100.0 + 180 * i, 100.0 + 180 * j) for i in range(5) for j in range(4)]
        found.append(frame(n, [(u, v, 20.0 * float(np.exp(rng.normal(0, 0.2))), KINDS[i % 2])
                               for i, (u, v) in enumerate(grid)]))  # fmt: skip
    return found


def agreeing(frames, probability=0.95):
    return {
        f.id: [Detection(f"{f.id}#{i}", f.id, b.u_px + 2, b.v_px - 1, b.radius_px, probability,
                         ((b.kind, 0.9), *((k, 0.1) for k in KINDS if k != b.kind)))
               for i, b in enumerate(f.labels)]
        for f in frames
    }  # fmt: skip


def found_in(frames, **more):
    return doubts(frames, site_kinds=KINDS, detector_kinds=KINDS, **more)


def test_clean_labels_raise_no_doubt():
    frames = clean()
    assert found_in(frames, detections=agreeing(frames), settings=DoubtSettings(0.5)) == []


@pytest.mark.parametrize(
    ("sort", "row"),
    [
        ("size", (905.0, 700.0, 0.0, "dock")),
        ("outside", (1200.0, 100.0, 20.0, "dock")),
        ("duplicate", (104.0, 103.0, 20.0, "dock")),
        ("unknown kind", (905.0, 700.0, 20.0, "thistle")),
        ("radius", (905.0, 700.0, 300.0, "dock")),
    ],
)
def test_a_planted_fault_is_found_where_it_is(sort, row):
    frames = clean()
    frames.append(frame(9, [*((b.u_px, b.v_px, b.radius_px, b.kind) for b in frames[0].labels), row]))
    found = [d for d in found_in(frames) if d.sort == sort]
    assert [(d.frame_id, d.u_px, d.v_px, d.kind) for d in found] == [("a/00009", *row[:2], row[3])]
    assert found[0].why
    assert found[0].remedy
    assert 0 < found[0].doubt <= 1


def test_what_the_detector_contradicts():
    frames = clean()
    said = agreeing(frames)
    first = frames[0].labels
    # the last label is not found, the one before is said to be the other kind, and one plant is not labelled
    a = said[frames[0].id][-2]
    other = "daisy" if a.kind == "dock" else "dock"
    said[frames[0].id][-2] = Detection(
        a.id, a.frame_id, a.u_px, a.v_px, a.radius_px, 0.9, ((other, 0.95), (a.kind, 0.05))
    )
    said[frames[0].id][-1] = Detection("x", frames[0].id, 15.0, 15.0, 20.0, 0.97, (("dock", 0.9), ("daisy", 0.1)))
    found = {d.sort: d for d in found_in(frames, detections=said, settings=DoubtSettings(0.5))}
    assert set(found) == {"not found", "kind", "not labelled"}
    assert (found["not found"].u_px, found["not found"].v_px) == (first[-1].u_px, first[-1].v_px)
    assert (found["kind"].u_px, found["kind"].v_px) == (first[-2].u_px, first[-2].v_px)
    assert (found["not labelled"].u_px, found["not labelled"].v_px) == (15.0, 15.0)


def test_a_detector_that_is_mostly_wrong_says_little():
    frames = clean()
    right, wrong = agreeing(frames), agreeing(frames)
    for said in (right, wrong):
        said[frames[0].id].append(Detection("x", frames[0].id, 15.0, 15.0, 20.0, 0.97, (("dock", 0.9), ("daisy", 0.1))))
    for f in frames[1:]:
        wrong[f.id] = [Detection(f"y{n}", f.id, 10.0, 10.0 + 60 * n, 5.0, 0.97, (("dock", 1.0),)) for n in range(8)]

    def doubt(said):
        found = found_in(frames, detections=said, settings=DoubtSettings(0.5))
        return next(d.doubt for d in found if d.sort == "not labelled" and d.frame_id == frames[0].id)

    # 81 of 82 are right against 21 of 46 (one success and one failure added)
    assert doubt(right) == pytest.approx(0.97 * 81 / 83)
    assert doubt(wrong) == pytest.approx(0.97 * 21 / 47)


def test_a_detection_on_ignored_ground_is_no_doubt():
    [one] = clean()[:1]
    ignored = (Label(one.id, 15.0, 15.0, 30.0, "dock"),)
    one = LabelledFrame(one.frame, "", one.labels, ignored)
    said = agreeing([one])
    said[one.id].append(Detection("x", one.id, 20.0, 20.0, 20.0, 0.97, (("dock", 1.0),)))
    assert found_in([one], detections=said, settings=DoubtSettings(0.5)) == []


def test_crowns_outside_their_own_outline():
    ring = (100.0, 100.0, 200.0, 100.0, 200.0, 200.0, 100.0, 200.0)

    def by(u, v):
        [d] = [d for d in found_in([frame(1, [(u, v, 56.0, "dock")], outlines=((ring,),))]) if d.sort == "outline"] or [
            None
        ]
        return d

    assert by(150.0, 150.0) is None
    assert by(190.0, 110.0) is None
    assert by(210.0, 150.0).doubt == pytest.approx(0.9)
    # two parts: the middle, taken for the crown, lies between them; nobody set it there
    far = tuple(np.asarray(ring) + 200.0)
    [d] = [
        d for d in found_in([frame(1, [(250.0, 250.0, 80.0, "dock")], outlines=((ring, far),))]) if d.sort == "outline"
    ]
    assert d.doubt == pytest.approx(0.5)


def test_inside_against_opencv():
    rng = np.random.default_rng(3)
    for _ in range(200):
        angle = np.sort(rng.uniform(0, 2 * np.pi, 9))
        radius = rng.uniform(20, 60, 9)
        ring = np.stack([100 + radius * np.cos(angle), 90 + radius * np.sin(angle)], 1)
        u, v = rng.uniform(30, 170, 2)
        side = cv2.pointPolygonTest(ring.astype(np.float32).reshape(-1, 1, 2), (float(u), float(v)), True)
        if abs(side) > 1e-3:
            assert inside((tuple(ring.ravel()),), float(u), float(v)) == (side > 0)


def test_an_empty_class_and_one_label_only():
    found = doubts([frame(1, [(50.0, 50.0, 10.0, "dock")])], site_kinds=KINDS, named_kinds=("thistle",))
    assert {(d.sort, d.kind, d.frame_id) for d in found} == {
        ("few", "dock", "a/00001"), ("few", "daisy", ""), ("few", "thistle", "")
    }  # fmt: skip
    assert [d.doubt for d in found] == sorted((d.doubt for d in found), reverse=True)


def test_equal_radii_are_no_outliers():
    rows = [(60.0 * i + 30, 60.0, 20.0, "dock") for i in range(12)]
    assert not [
        d for d in found_in([frame(1, [*rows, (500.0, 600.0, 20.0 * math.exp(0.35), "dock")])]) if d.sort == "radius"
    ]
