"""Average precision against pycocotools, the reference program of COCO's detection evaluation.

Tolerance 1e-6: both average the same 101 read-offs; only the order of additions differs.
"""

import contextlib
import io

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from swardwright.learning.precision import IOUS, PictureBoxes, box_average_precision, interpolated


def random_pictures(rng: np.random.Generator, pictures: int, kinds: int, crowds: bool) -> list[PictureBoxes]:
    out = []
    for _ in range(pictures):
        m, extra = rng.integers(0, 9), rng.integers(0, 5)
        truth = np.column_stack([rng.uniform(0, 300, (m, 2)), rng.uniform(8, 80, (m, 2))])
        kind = rng.integers(0, kinds, m)
        near = truth[rng.uniform(size=m) < 0.85]
        near_kind = kind[rng.integers(0, m, len(near))] if m else np.zeros(0, int)
        found = np.concatenate(
            [
                near + rng.normal(0, 4, near.shape),
                np.column_stack([rng.uniform(0, 300, (extra, 2)), rng.uniform(8, 80, (extra, 2))]),
            ]
        )
        found[:, 2:] = np.maximum(found[:, 2:], 1)
        n = len(found)
        found_kind = np.concatenate([near_kind, rng.integers(0, kinds, extra)]).astype(np.int64)
        score = rng.permutation(rng.integers(0, 40, n) / 40.0)  # ties on purpose
        crowd = rng.uniform(size=m) < (0.3 if crowds else 0.0)
        out.append(PictureBoxes(found, score, found_kind, truth, kind.astype(np.int64), crowd))
    return out


def reference(pictures: list[PictureBoxes], found_max: int) -> np.ndarray:
    coco = pytest.importorskip("pycocotools.coco")
    evaluation = pytest.importorskip("pycocotools.cocoeval")
    kinds = sorted({int(k) for p in pictures for k in (*p.truth_kind, *p.found_kind)})
    truth = coco.COCO()
    rows, found = [], []
    for i, p in enumerate(pictures):
        for box, kind, crowd in zip(p.truth, p.truth_kind, p.crowd, strict=True):
            rows.append(
                {
                    "id": len(rows) + 1,
                    "image_id": i + 1,
                    "category_id": int(kind) + 1,
                    "bbox": box.tolist(),
                    "area": float(box[2] * box[3]),
                    "iscrowd": int(crowd),
                }
            )
        for box, kind, score in zip(p.found, p.found_kind, p.score, strict=True):
            found.append({"image_id": i + 1, "category_id": int(kind) + 1, "bbox": box.tolist(), "score": float(score)})
    truth.dataset = {
        "images": [{"id": i + 1, "width": 400, "height": 400} for i in range(len(pictures))],
        "annotations": rows,
        "categories": [{"id": k + 1, "name": str(k)} for k in kinds],
    }
    with contextlib.redirect_stdout(io.StringIO()):
        truth.createIndex()
        judge = evaluation.COCOeval(truth, truth.loadRes(found), "bbox")
        judge.params.maxDets = [found_max]
        judge.evaluate()
        judge.accumulate()
    precision = judge.eval["precision"][:, :, :, 0, 0]  # thresholds, recalls, kinds; plants of any size
    there = precision[:, 0, :] > -1
    return np.array([precision[t][:, there[t]].mean() if there[t].any() else np.nan for t in range(len(IOUS))])


@settings(max_examples=60, deadline=None)
@given(st.integers(0, 2**32 - 1), st.integers(1, 12), st.integers(1, 4), st.booleans(), st.sampled_from([2, 5, 100]))
def test_box_average_precision_is_cocos(seed, pictures, kinds, crowds, found_max):
    made = random_pictures(np.random.default_rng(seed), pictures, kinds, crowds)
    if not any(len(p.found) for p in made):
        return
    ours = box_average_precision(made, found_max=found_max)
    np.testing.assert_allclose(ours, reference(made, found_max), atol=1e-6)


def test_a_known_curve_by_hand():
    """Two plants; hit, false, hit: precision 1 up to half the recall (51 of 101 read-offs), 2/3 beyond (50)."""
    assert interpolated(np.array([True, False, True]), 2) == pytest.approx((51 + 50 * 2 / 3) / 101)
    assert interpolated(np.zeros(0, bool), 3) == 0.0
    assert np.isnan(interpolated(np.array([False]), 0))
