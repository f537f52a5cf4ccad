from __future__ import annotations

import math

import cv2
import numpy as np
import PIL.Image
import pytest

from swardwright.domain.errors import RecordingError
from swardwright.footage import pictures
from swardwright.footage.folder import stamp_of_name

HEADER = "name,stamp_s,x,y,z,qw,qx,qy,qz\n"


def fill(folder, kit, names, size=None):
    folder.mkdir()
    for number, name in enumerate(names):
        cv2.imwrite(str(folder / name), kit.texture(number, size or kit.SIZE)[..., ::-1])
    return folder


def test_poses_by_name(kit, tmp_path):
    folder = fill(tmp_path / "walk", kit, ["a.png", "b.png", "c.png"])
    # camera straight down, one metre up, picture top to the north: x east, y south, z down
    (folder / "poses.csv").write_text(HEADER + "a.png,10.5,1,2,1,0,1,0,0\nc.png,12.5,2,2,1,0,1,0,0\n")
    footage = kit.take_in(folder)
    assert [(f.id, f.picture) for f in footage.frames] == [("walk/00000", "a.png"), ("walk/00002", "c.png")]
    assert {i.reason: i.count for i in footage.left_out} == {"pictures that poses.csv does not name": 1}
    pose = footage.frames[0].ground_from_camera
    np.testing.assert_allclose(pose.apply(np.array([0.1, 0.2, 1.0])), [1.1, 1.8, 0.0], atol=1e-12)
    assert footage.frames[0].base is None
    assert footage.track is None
    assert footage.frames[1].stamp_ns == 12_500_000_000
    np.testing.assert_array_equal([i for _, i in pictures(folder, footage.frames)][1], kit.texture(2))


def test_poses_by_time_are_interpolated(kit, tmp_path):
    folder = fill(tmp_path / "walk", kit, ["100.25.png", "100.90.png", "seven.png"])
    quarter = math.sqrt(0.5)
    (folder / "poses.csv").write_text(
        f"stamp_s,x,y,z,qw,qx,qy,qz\n100.2,0,0,1,1,0,0,0\n100.3,1,0,1,{quarter},0,0,{quarter}\n100.5,1,0,1,1,0,0,0\n"
    )
    footage = kit.take_in(folder)
    assert [f.picture for f in footage.frames] == ["100.25.png"]
    pose = footage.frames[0].ground_from_camera
    np.testing.assert_allclose(pose.translation_m, [0.5, 0, 1], atol=1e-9)
    np.testing.assert_allclose(pose.rotation[:2, 0], [math.cos(math.pi / 8 * 2), math.sin(math.pi / 4)], atol=1e-9)
    assert {i.reason: i.count for i in footage.left_out} == {
        "pictures without a camera pose within 0.1 s": 1, "pictures whose file name is not a time": 1,
    }  # fmt: skip


def test_plain_photographs_need_no_poses_and_any_size(kit, tmp_path):
    folder = fill(tmp_path / "photos", kit, ["x.jpg", "y.png"], (80, 40))
    (folder / "notes.txt").write_text("not a picture")
    footage = kit.take_in(folder)
    assert [f.picture for f in footage.frames] == ["x.jpg", "y.png"]
    assert all(f.base is None and f.ground_from_camera is None for f in footage.frames)
    assert footage.pictures_found == 2
    assert footage.left_out == ()


def test_photographs_are_turned_upright(kit, tmp_path):
    folder = tmp_path / "photos"
    folder.mkdir()
    image = np.zeros((40, 80, 3), np.uint8)
    image[:, :20] = 255  # white to the left
    exif = PIL.Image.Exif()
    exif[0x0112] = 6  # "rotate by 90 degrees clockwise to view" (EXIF 2.3, tag 0112)
    PIL.Image.fromarray(image).save(folder / "a.jpg", exif=exif, quality=95)
    footage = kit.take_in(folder)
    assert footage.frames[0].size_px == (40, 80)
    _, shown = next(pictures(folder, footage.frames))
    assert shown.shape == (80, 40, 3)
    assert shown[:15].mean() > 250  # white on top
    assert shown[30:].mean() < 5


@pytest.mark.parametrize(("text", "what"), [
    ("", "columns are missing"),
    ("name,x,y,z\n", "columns are missing"),
    (HEADER + "a.png,1,nan,0,1,1,0,0,0\n", "finite number"),
    (HEADER + "a.png,1,,0,1,1,0,0,0\n", "finite number"),
    (HEADER + "a.png,1,0,0,1,2,0,0,0\n", "length 1"),
    (HEADER + "zzz.png,1,0,0,1,1,0,0,0\n", "not there"),
    (HEADER + "../a.png,1,0,0,1,1,0,0,0\n", "not there"),
    (HEADER + "a.png,1,0,0,1,1,0,0,0\na.png,1,0,0,1,1,0,0,0\n", "two poses"),
    ("stamp_s,x,y,z,qw,qx,qy,qz\n2,0,0,1,1,0,0,0\n1,0,0,1,1,0,0,0\n", "clock runs backwards"),
])  # fmt: skip
def test_bad_poses(kit, tmp_path, text, what):
    folder = fill(tmp_path / "walk", kit, ["a.png"])
    (folder / "poses.csv").write_text(text)
    with pytest.raises(RecordingError, match=what) as caught:
        kit.take_in(folder)
    assert "walk/poses.csv" in caught.value.sentence()
    assert caught.value.remedy


def test_poses_that_are_not_text(kit, tmp_path):
    folder = fill(tmp_path / "walk", kit, ["a.png"])
    (folder / "poses.csv").write_bytes(b"\xff\xfe\x00\x81")
    with pytest.raises(RecordingError, match="not text"):
        kit.take_in(folder)


def test_posed_pictures_must_have_the_camera_size(kit, tmp_path):
    folder = fill(tmp_path / "walk", kit, ["a.png"], (32, 24))
    (folder / "poses.csv").write_text(HEADER + "a.png,1,0,0,1,1,0,0,0\n")
    with pytest.raises(RecordingError, match="another size") as caught:
        kit.take_in(folder)
    assert "32 x 24" in caught.value.sentence()
    assert "64 x 48" in caught.value.sentence()


def test_a_folder_without_pictures(kit, tmp_path):
    (tmp_path / "nothing").mkdir()
    with pytest.raises(RecordingError, match="no pictures"):
        kit.take_in(tmp_path / "nothing")


def test_a_picture_beyond_all_bounds_is_refused_from_its_header(kit, tmp_path):
    import struct
    import zlib

    def chunk(kind: bytes, body: bytes) -> bytes:
        return struct.pack(">I", len(body)) + kind + body + struct.pack(">I", zlib.crc32(kind + body))

    folder = tmp_path / "huge"
    folder.mkdir()
    head = struct.pack(">IIBBBBB", 60000, 60000, 8, 2, 0, 0, 0)
    body = chunk(b"IHDR", head) + chunk(b"IDAT", b"") + chunk(b"IEND", b"")
    (folder / "a.png").write_bytes(b"\x89PNG\r\n\x1a\n" + body)
    with pytest.raises(RecordingError, match="too large"):
        kit.take_in(folder)


def test_names_never_lead_out_of_the_folder(kit, tmp_path):
    import dataclasses

    folder = fill(tmp_path / "walk", kit, ["a.png"])
    fill(tmp_path / "secret", kit, ["b.png"])
    frame = dataclasses.replace(kit.take_in(folder).frames[0], picture="../secret/b.png")
    with pytest.raises(RecordingError, match="no longer there"):
        list(pictures(folder, [frame]))


@pytest.mark.parametrize(("stem", "stamp"), [
    ("1780000000.25", 1_780_000_000_250_000_000), ("1780000000250000000", 1_780_000_000_250_000_000),
    ("1780000000", 1_780_000_000_000_000_000), ("IMG_3438", None), ("1.2.3", None), ("-5", None), ("", None),
])  # fmt: skip
def test_file_names_as_times(stem, stamp):
    assert stamp_of_name(stem) == stamp
