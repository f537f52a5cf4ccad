from __future__ import annotations

import dataclasses
import math
import types

import cv2
import numpy as np
import pytest

from swardwright.domain.arm import arm_from_urdf
from swardwright.domain.camera import Camera
from swardwright.domain.chain import chain_marginals
from swardwright.domain.errors import InputError
from swardwright.domain.footprint import footprint
from swardwright.domain.frame import Footage, Frame, LeftOut, Track
from swardwright.domain.poses import BasePose, Pose
from swardwright.frames import choose_frames, ground_view, undistorted
from swardwright.frames.ground import camera_pose, shared_ground

CAMERA = Camera(140, 100, 100.0, 100.0, 69.5, 49.5, np.zeros(5), np.zeros((4, 4)))  # sees 1.4 m x 1.0 m from 1 m
# straight down, one metre up, picture top towards base x: one fixed mount and one joint far away that does not matter
URDF = f"""<robot name="post"><link name="base_link"/><link name="post"/><link name="camera"/>
<joint name="j" type="revolute"><parent link="base_link"/><child link="post"/><axis xyz="0 0 1"/>
<limit lower="-1" upper="1" velocity="1"/></joint>
<joint name="m" type="fixed"><parent link="post"/><child link="camera"/>
<origin xyz="0 0 1" rpy="{math.pi} 0 {-math.pi / 2}"/></joint></robot>"""
RIG = types.SimpleNamespace(arm=arm_from_urdf(URDF), camera=CAMERA, camera_link="camera")


def frames_along(xs, sharp=None, **changes):
    return tuple(
        Frame(f"r/{i:05d}", "r", i * 10**9, "/camera", (140, 100), base=BasePose(x, 0.0, 0.0),
              base_covariance=np.eye(3) * 1e-4, joints_rad=(0.0,), sharpness=sharp[i] if sharp else 10.0, **changes)
        for i, x in enumerate(xs)
    )  # fmt: skip


def footage(frames, track=None):
    return Footage("r", tuple(frames), CAMERA, (LeftOut("old reason", 3),), len(frames), 50, 9.0, track)


def test_the_post_looks_straight_down():
    pose = camera_pose(frames_along([2.0])[0], RIG)
    outline = footprint(CAMERA, pose)
    np.testing.assert_allclose([outline.min(axis=0), outline.max(axis=0)], [[1.5, -0.7], [2.5, 0.7]], atol=1e-9)


def test_crowded_pictures_are_thinned_and_each_place_is_seen_twice():
    xs = np.arange(0, 10.01, 0.05)
    kept = choose_frames(footage(frames_along(xs)), RIG)
    places = np.array([f.base.x_m for f in kept.frames])
    # pictures reach 1.0 m along the drive: 60 % in common means every 0.4 m
    assert np.diff(places[:-1]) == pytest.approx(0.4)
    assert (places[0], places[-1]) == (0.0, 10.0)
    for ground in np.arange(0.0, 10.0, 0.037):
        assert np.sum(np.abs(places - ground) <= 0.5) >= 2
    assert {i.reason: i.count for i in kept.left_out} == {
        "old reason": 3, "pictures that show no new ground": len(xs) - len(places),
    }  # fmt: skip
    assert kept.pictures_found == len(xs)


def test_pictures_farther_apart_are_all_kept():
    kept = choose_frames(footage(frames_along(np.arange(0, 5, 0.45))), RIG)
    assert len(kept.frames) == 12


def test_standing_still_adds_nothing():
    kept = choose_frames(footage(frames_along([0.0] * 10 + [0.4, 0.8] + [1.2] * 10)), RIG)
    places = [f.base.x_m for f in kept.frames]
    assert sorted(set(places)) == [0.0, 0.4, 0.8, 1.2]
    assert len(places) <= 6


def test_blurred_pictures_go_first():
    sharp = [10.0, 11.0, 2.0, 9.0, 10.0]
    kept = choose_frames(footage(frames_along([0, 0.4, 0.8, 1.2, 1.6], sharp)), RIG)
    assert [f.id[-1] for f in kept.frames] == ["0", "1", "3", "4"]
    assert ("pictures that are blurred", 1) in [(i.reason, i.count) for i in kept.left_out]


def test_pictures_without_a_pose_are_left_out_of_a_survey():
    frames = list(frames_along([0, 0.4, 0.8]))
    frames[1] = dataclasses.replace(frames[1], base=None, base_covariance=None)
    kept = choose_frames(footage(frames), RIG)
    assert [f.id[-1] for f in kept.frames] == ["0", "2"]
    assert ("pictures without a pose", 1) in [(i.reason, i.count) for i in kept.left_out]


def test_without_a_rig_only_blur_counts():
    kept = choose_frames(footage(frames_along([0, 0, 0, 0], [10.0, 10.0, 10.0, 1.0])), None)
    assert len(kept.frames) == 3


def test_video_keeps_the_sharpest_of_each_second():
    frames = [Frame(f"v/{i:05d}", "v", i * 250_000_000, "v.mp4", (9, 9), sharpness=s)
              for i, s in enumerate([5, 7, 6, 5, 9, 8, 5, 6])]  # fmt: skip
    kept = choose_frames(footage(frames), None)
    assert [f.id[-1] for f in kept.frames] == ["1", "4"]


def test_photographs_are_all_kept():
    frames = [Frame(f"p/{i:05d}", "p", i, f"{i}.jpg", (9, 9), sharpness=5.0) for i in range(6)]
    assert len(choose_frames(footage(frames), None).frames) == 6


def test_no_frames_at_all():
    kept = choose_frames(footage([]), RIG)
    assert kept.frames == ()


def test_track_is_cut_without_losing_information():
    rng = np.random.default_rng(0)
    n = 9
    frames = frames_along(np.arange(n) * 0.1)
    dense = np.zeros((3 * n, 3 * n))
    for i in range(n - 1):
        rows = rng.normal(size=(8, 6))
        dense[3 * i : 3 * i + 6, 3 * i : 3 * i + 6] += rows.T @ rows
    diagonal = np.array([dense[3 * i : 3 * i + 3, 3 * i : 3 * i + 3] for i in range(n)])
    upper = np.array([dense[3 * i : 3 * i + 3, 3 * i + 3 : 3 * i + 6] for i in range(n - 1)])
    track = Track(tuple(f.id for f in frames), tuple(f.base for f in frames), diagonal, upper)
    kept = choose_frames(footage(frames, track), RIG)
    assert 1 < len(kept.frames) < n
    assert kept.track.frame_ids == tuple(f.id for f in kept.frames)
    inverse = np.linalg.inv(dense)
    marginals = chain_marginals(kept.track.diagonal, kept.track.upper)
    for name, block in zip(kept.track.frame_ids, marginals, strict=True):
        i = int(name[-5:])
        np.testing.assert_allclose(block, inverse[3 * i : 3 * i + 3, 3 * i : 3 * i + 3], rtol=1e-6)


def test_an_absurd_overlap_is_refused():
    for overlap in (1.0, -0.1, math.nan):
        with pytest.raises(InputError, match="overlap"):
            choose_frames(footage(frames_along([0.0])), RIG, overlap=overlap)


def test_shared_ground_of_squares():
    square = np.array([[0.0, 0], [1, 0], [1, 1], [0, 1]]) + 1000.0
    assert shared_ground(square, square + np.array([0.25, 0.0])) == pytest.approx(0.75, abs=1e-5)
    assert shared_ground(square, square + np.array([2.0, 0.0])) == 0.0
    assert shared_ground(square, 0.5 * (square - 1000.0) + 1000.2) == pytest.approx(1.0, abs=1e-4)


def test_ground_view_puts_a_mark_where_it_lies():
    camera = Camera(400, 300, 300.0, 300.0, 199.5, 149.5, np.array([-0.12, 0.03, 0.0005, -0.0005, 0]), np.zeros((4, 4)))
    pose = Pose.from_rpy("ground", "camera", (5.0, 7.0, 1.0), (math.pi + 0.2, 0.05, 0.3))
    mark = np.array([5.1, 7.2, 0.0])
    u, v = camera.project(pose.inverse.apply(mark[None]))[0]
    image = np.zeros((300, 400, 3), np.uint8)
    cv2.circle(image, (round(u), round(v)), 2, (255, 255, 255), -1)
    view = ground_view(image, camera, pose, (4.5, 6.5), (5.5, 7.7), 0.005)
    assert view.shape == (240, 200, 3)
    rows, columns = np.nonzero(view[..., 0] > 100)
    assert 4.5 + (columns.mean() + 0.5) * 0.005 == pytest.approx(5.1, abs=0.004)
    assert 7.7 - (rows.mean() + 0.5) * 0.005 == pytest.approx(7.2, abs=0.004)
    with pytest.raises(InputError, match="no usable size"):
        ground_view(image, camera, pose, (4.5, 6.5), (4.5, 7.7), 0.005)


def test_undistorted_straightens_what_the_lens_bends():
    camera = Camera(400, 300, 300.0, 300.0, 199.5, 149.5, np.array([-0.3, 0.05, 0, 0, 0]), np.zeros((4, 4)))
    flat = Camera(400, 300, 300.0, 300.0, 199.5, 149.5, np.zeros(5), np.zeros((4, 4)))
    point = np.array([[0.5, 0.3, 1.0]])
    bent, straight = camera.project(point)[0], flat.project(point)[0]
    assert np.linalg.norm(bent - straight) > 8
    image = np.zeros((300, 400, 3), np.uint8)
    cv2.circle(image, tuple(round(float(v)) for v in bent), 2, (255, 255, 255), -1)
    rows, columns = np.nonzero(undistorted(image, camera)[..., 0] > 100)
    assert [columns.mean(), rows.mean()] == pytest.approx(straight, abs=1.0)
