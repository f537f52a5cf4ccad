from __future__ import annotations

import math

import numpy as np
import pytest

from swardwright.domain.errors import RecordingError
from swardwright.domain.site import Topics
from swardwright.footage import pictures


@pytest.mark.parametrize("kind", ["mcap", "mcap folder", "sqlite3", "ros1"])
def test_every_kind_of_log_gives_the_same_frames(kit, tmp_path, kind):
    path = kit.write_log(tmp_path / "drive", kit.Log(), kind)
    footage = kit.take_in(path)
    assert footage.pictures_found == 4
    assert [f.id for f in footage.frames] == [f"{path.name}/0000{i}" for i in range(4)]
    assert footage.poses_found == 81
    assert footage.distance_m == pytest.approx(2.0)
    assert footage.left_out == ()
    for number, frame in enumerate(footage.frames):
        stamp = number + 0.333
        # joints in the order asked for, at the picture's own time, between two samples
        assert frame.joints_rad == pytest.approx((stamp, -stamp), abs=1e-6)
        # the first odometry pose is laid on the start pose: the drive goes north from (2, 3)
        assert frame.base.as_array() == pytest.approx([2.0, 3.0 + 0.5 * stamp, math.pi / 2], abs=1e-6)
        assert frame.size_px == kit.SIZE
        assert frame.stamp_ns == pytest.approx((kit.ZERO + stamp) * 1e9, abs=1e3)
    shown = dict((f.id, image) for f, image in pictures(path, footage.frames))
    for number, frame in enumerate(footage.frames):
        np.testing.assert_array_equal(shown[frame.id], kit.texture(number))


def test_odometry_may_start_anywhere(kit, tmp_path):
    footage = kit.take_in(kit.write_log(tmp_path / "d", kit.Log(start_odometry=(-70.0, 12.0, 2.5))))
    assert footage.frames[-1].base.as_array() == pytest.approx([2.0, 3.0 + 0.5 * 3.333, math.pi / 2], abs=1e-6)


def test_header_stamp_counts_and_not_the_time_of_receipt(kit, tmp_path):
    footage = kit.take_in(kit.write_log(tmp_path / "d", kit.Log(late_s=0.5)))
    assert footage.frames[0].joints_rad == pytest.approx((0.333, -0.333), abs=1e-6)


@pytest.mark.parametrize("encoding", ["rgb8", "bgr8", "mono8"])
def test_raw_pictures(kit, tmp_path, encoding):
    path = kit.write_log(tmp_path / "d", kit.Log(compressed=False, encoding=encoding))
    footage = kit.take_in(path)
    _, image = next(pictures(path, footage.frames[:1]))
    wanted = kit.texture(0)
    np.testing.assert_array_equal(image, wanted if encoding != "mono8" else np.repeat(wanted[..., :1], 3, axis=2))


def test_uncertainty_grows_along_the_drive(kit, tmp_path):
    footage = kit.take_in(kit.write_log(tmp_path / "d", kit.Log()))
    spread = [np.trace(f.base_covariance[:2, :2]) for f in footage.frames]
    assert np.all(np.diff(spread) > 0)
    # straight drive of s metres: along-track variance start + q s (random walk)
    s = 0.5 * 3.333
    assert footage.frames[-1].base_covariance[1, 1] == pytest.approx(1e-4 + 1e-4 * s, rel=1e-3)
    across = 1e-4 + 1e-4 * s + kit.ERRORS.start_rad**2 * s**2 + kit.ERRORS.yaw_per_m**2 * s**3 / 3
    assert footage.frames[-1].base_covariance[0, 0] == pytest.approx(across, rel=1e-3)


def test_fixes_hold_the_drive(kit, tmp_path):
    log = kit.Log(fixes=True, seconds=8.0)
    # the fixes go east from the origin; a start pose 3 cm off is drawn to them
    from swardwright.domain.poses import BasePose

    free = kit.take_in(kit.write_log(tmp_path / "a", kit.Log(seconds=8.0)), start=BasePose(0.0, 0.03, 0.0))
    held = kit.take_in(kit.write_log(tmp_path / "b", log), start=BasePose(0.0, 0.03, 0.0))
    assert abs(held.frames[-1].base.y_m) < 0.5 * abs(free.frames[-1].base.y_m)
    assert held.frames[-1].base.x_m == pytest.approx(0.5 * 7.333, abs=0.02)
    assert np.trace(held.frames[-1].base_covariance[:2, :2]) < 0.5 * np.trace(free.frames[-1].base_covariance[:2, :2])


def test_no_fix_is_no_fix(kit, tmp_path):
    footage = kit.take_in(kit.write_log(tmp_path / "b", kit.Log(fixes=True, fix_status=-1)))
    assert {i.reason: i.count for i in footage.left_out} == {"position fixes that the receiver itself calls no fix": 21}
    assert footage.frames[0].base.x_m == pytest.approx(2.0, abs=1e-6)


def test_fixes_elsewhere_on_earth_are_an_error(kit, tmp_path):
    from swardwright.domain.site import Origin

    path = kit.write_log(tmp_path / "b", kit.Log(fixes=True))
    with pytest.raises(RecordingError, match="far from the site") as caught:
        kit.take_in(path, origin=Origin(50.0, 8.0, 0.0))
    assert "origin" in caught.value.remedy


def test_gyro_without_a_stop_is_not_used_and_says_so(kit, tmp_path):
    footage = kit.take_in(kit.write_log(tmp_path / "b", kit.Log(with_gyro=True)))
    assert any("never stands still" in note for note in footage.notes)
    assert footage.left_out == ()


def test_stale_pictures_are_refused_and_counted(kit, tmp_path):
    footage = kit.take_in(kit.write_log(tmp_path / "d", kit.Log(odometry_until_s=1.8)))
    assert [f.id[-5:] for f in footage.frames] == ["00000", "00001"]
    assert footage.pictures_found == 4
    assert {i.reason: i.count for i in footage.left_out} == {"pictures without base pose within 0.1 s": 2}
    assert footage.track.frame_ids == tuple(f.id for f in footage.frames)


def test_all_pictures_stale_leaves_none(kit, tmp_path):
    footage = kit.take_in(kit.write_log(tmp_path / "d", kit.Log(picture_offset_s=100.0)))
    assert footage.frames == ()
    assert footage.track is None
    assert sum(i.count for i in footage.left_out) == 4


def test_a_picture_that_cannot_be_decoded_is_counted(kit, tmp_path):
    footage = kit.take_in(kit.write_log(tmp_path / "d", kit.Log(broken_picture=1)))
    assert [f.id[-5:] for f in footage.frames] == ["00000", "00002", "00003"]
    assert {i.reason: i.count for i in footage.left_out} == {"pictures that cannot be decoded": 1}


def test_recorded_camera_is_used_when_none_is_given(kit, tmp_path):
    footage = kit.take_in(kit.write_log(tmp_path / "d", kit.Log()), camera=None)
    assert (footage.camera.fx_px, footage.camera.width_px) == (50.0, 64)


def test_without_pictures_only_poses_are_taken_in(kit, tmp_path):
    footage = kit.take_in(kit.write_log(tmp_path / "d", kit.Log(with_pictures=False, with_info=False)), camera=None)
    assert footage.frames == ()
    assert footage.poses_found == 81
    assert footage.distance_m == pytest.approx(2.0)
    assert [i.reason for i in footage.left_out] == ["the recording has no pictures: only its poses are taken in"]
    assert len(footage.track.poses) == 81
    assert footage.track.poses[-1].y_m == pytest.approx(5.0, abs=1e-6)


def test_poses_only_on_request(kit, tmp_path):
    footage = kit.take_in(kit.write_log(tmp_path / "d", kit.Log()), want_pictures=False)
    assert footage.frames == ()
    assert footage.pictures_found == 4
    assert footage.distance_m == pytest.approx(2.0)


def test_progress_reaches_the_end(kit, tmp_path):
    told: list[tuple[int, int]] = []
    kit.take_in(kit.write_log(tmp_path / "d", kit.Log()), progress=lambda done, total: told.append((done, total)))
    assert told[-1] == (81 + 201 + 4, 81 + 201 + 4)


BAD = [
    ({"with_info": False}, {"camera": None}, "topics.camera_info", "nothing about its camera"),
    ({"focal": 0.0}, {"camera": None}, "K[0]", "not calibrated"),
    ({"info_size": (128, 96)}, {}, "128 x 96", "64 x 48"),
    ({"size": (32, 24), "info_size": (64, 48)}, {}, "32 x 24", "64 x 48"),
    ({"size": (32, 24), "info_size": (64, 48)}, {"camera": None}, "32 x 24", "64 x 48"),
    ({"with_joints": False}, {}, "topics.joints", "no joint positions"),
    ({"joint_names": ("a", "x")}, {}, "missing: b", "all joints"),
    ({"with_odometry": False}, {}, "topics.odometry", "no odometry"),
    ({"second_camera": True}, {}, "/camera, /camera2", "several streams"),
    ({"odometry_nan_at": 5}, {}, "/odom", "not finite"),
    ({"joint_nan_at": 7}, {}, "/joints", "not finite"),
    ({"odometry_back_at": 30}, {}, "/odom", "clock runs backwards"),
    ({"encoding": "16UC1", "compressed": False}, {}, "16UC1", "encoding"),
    ({}, {"topics": Topics(image="/front")}, "/front", "/camera"),
    ({}, {"topics": Topics(joints="/odom")}, "/odom", "/joints"),
]


@pytest.mark.parametrize(("log", "given", "first", "second"), BAD)
def test_bad_logs_get_one_sentence_and_a_remedy(kit, tmp_path, log, given, first, second):
    path = kit.write_log(tmp_path / "d", kit.Log(**log))
    with pytest.raises(RecordingError) as caught:
        kit.take_in(path, **given)
    sentence = caught.value.sentence()
    assert first in sentence
    assert second in sentence
    assert "\n" not in sentence
    assert caught.value.remedy
    assert caught.value.exit_status == 2


def test_a_named_topic_settles_which_camera(kit, tmp_path):
    footage = kit.take_in(kit.write_log(tmp_path / "d", kit.Log(second_camera=True)), topics=Topics(image="/camera2"))
    assert {f.picture for f in footage.frames} == {"/camera2"}


@pytest.mark.parametrize(("name", "data", "what"), [
    ("a.mcap", b"", "empty"),
    ("a.mcap", b"PK\x03\x04 this is a zip file", "not an MCAP file"),
    ("a.bag", b"", "empty"),
    ("a.bag", b"\x89MCAP0\r\n", "not a ROS 1 bag"),
    ("a.db3", b"not a database at all", "not a ROS 2 bag"),
    ("a.mp4", b"", "empty"),
    ("a.mp4", b"\x00" * 500, "not a video"),
    ("a.txt", b"hello", "cannot be taken in"),
    ("a.txt", b"", "empty"),
])  # fmt: skip
def test_files_that_are_no_recordings(kit, tmp_path, name, data, what):
    (tmp_path / name).write_bytes(data)
    with pytest.raises(RecordingError, match=what) as caught:
        kit.take_in(tmp_path / name)
    assert name in caught.value.sentence()
    assert caught.value.remedy


@pytest.mark.parametrize("share", [0.1, 0.5, 0.9, 0.999])
@pytest.mark.parametrize("kind", ["mcap", "mcap folder", "ros1", "sqlite3"])
def test_cut_logs(kit, tmp_path, kind, share):
    path = kit.write_log(tmp_path / "d", kit.Log(), kind)
    file = path if path.is_file() else next(p for p in path.iterdir() if p.suffix in (".mcap", ".db3"))
    data = file.read_bytes()
    file.write_bytes(data[: int(len(data) * share)])
    with pytest.raises(RecordingError) as caught:
        kit.take_in(path)
    assert "cut" in caught.value.sentence()
    assert caught.value.remedy


def test_a_folder_with_one_log_or_several(kit, tmp_path):
    folder = tmp_path / "day"
    folder.mkdir()
    kit.write_log(tmp_path / "d", kit.Log()).rename(folder / "one.mcap")
    footage = kit.take_in(folder)
    assert footage.frames[0].id == "day/00000"
    kit.write_log(tmp_path / "e", kit.Log()).rename(folder / "two.mcap")
    with pytest.raises(RecordingError, match="several recordings"):
        kit.take_in(folder)


def test_missing_path(kit, tmp_path):
    with pytest.raises(RecordingError, match="no such recording"):
        kit.take_in(tmp_path / "nowhere.mcap")


def test_pictures_of_a_changed_recording(kit, tmp_path):
    import dataclasses

    path = kit.write_log(tmp_path / "d", kit.Log())
    frame = dataclasses.replace(kit.take_in(path).frames[0], stamp_ns=5)
    with pytest.raises(RecordingError, match="no longer in the recording"):
        list(pictures(path, [frame]))


def test_flipped_bytes_never_escape_as_another_error(kit, tmp_path):
    """Damage anywhere gives either footage or one of our sentences."""
    path = kit.write_log(tmp_path / "d", kit.Log(seconds=2.0))
    data = path.read_bytes()
    rng = np.random.default_rng(3)
    refused = 0
    for trial in range(40):
        broken = bytearray(data)
        for place in rng.integers(0, len(data), 20):
            broken[place] = int(rng.integers(0, 256))
        file = tmp_path / f"broken{trial}.mcap"
        file.write_bytes(bytes(broken))
        try:
            kit.take_in(file)
        except RecordingError:
            refused += 1
    assert refused > 10
