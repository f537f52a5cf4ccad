from __future__ import annotations

from fractions import Fraction

import av
import numpy as np
import pytest

from swardwright.domain.errors import RecordingError
from swardwright.footage import pictures
from swardwright.footage.video import upright


def write_video(path, seconds=2, rate=20, size=(64, 48)):
    """A video whose picture n has grey level 5 n (lossless enough in 4:2:0 for flat pictures)."""
    with av.open(str(path), "w") as container:
        stream = container.add_stream("mpeg4", rate=rate)
        stream.width, stream.height, stream.pix_fmt = *size, "yuv420p"
        stream.time_base = Fraction(1, rate)
        for number in range(seconds * rate):
            image = np.full((size[1], size[0], 3), 5 * number, np.uint8)
            for packet in stream.encode(av.VideoFrame.from_ndarray(image, format="rgb24")):
                container.mux(packet)
        for packet in stream.encode():
            container.mux(packet)
    return path


@pytest.mark.parametrize("suffix", [".mp4", ".mov"])
def test_video_is_sampled_and_read_back(kit, tmp_path, suffix):
    path = write_video(tmp_path / f"walk{suffix}")
    footage = kit.take_in(path)
    assert footage.pictures_found == 40
    assert [int(f.id[-5:]) for f in footage.frames] == [0, 5, 10, 15, 20, 25, 30, 35]
    assert footage.frames[2].stamp_ns == pytest.approx(0.5e9, abs=1e6)
    assert footage.left_out[0].count == 32
    assert all(f.base is None for f in footage.frames)
    for frame, image in pictures(path, footage.frames[2:5]):
        assert image.mean() == pytest.approx(5 * int(frame.id[-5:]), abs=4)


def test_the_rotation_flag_turns_the_picture():
    class Turned:
        """A decoded frame as PyAV gives it; rotation counts anticlockwise degrees (its documentation)."""

        rotation = -90

        def to_ndarray(self, format: str) -> np.ndarray:
            assert format == "rgb24"
            image = np.zeros((2, 3, 3), np.uint8)
            image[0, 0] = 255  # top left
            return image

    shown = upright(Turned())
    assert shown.shape == (3, 2, 3)
    assert shown[0, 1].tolist() == [255, 255, 255]  # clockwise by a quarter: top right


def test_rotation_written_in_the_file(kit, tmp_path):
    """Track header matrix of ISO 14496-12: x' = a x + c y, y' = b x + d y; a quarter turn clockwise is b 1, c -1."""
    path = tmp_path / "tall.mp4"
    with av.open(str(path), "w") as container:
        stream = container.add_stream("mpeg4", rate=20)
        stream.width, stream.height, stream.pix_fmt = 64, 48, "yuv420p"
        image = np.zeros((48, 64, 3), np.uint8)
        image[:16, :16] = 255  # top left as recorded
        for packet in [*stream.encode(av.VideoFrame.from_ndarray(image, format="rgb24")), *stream.encode()]:
            container.mux(packet)
    data = bytearray(path.read_bytes())
    matrix = data.find(b"tkhd") + 44
    assert data[matrix : matrix + 4] == (1 << 16).to_bytes(4, "big")
    one = 1 << 16
    for i, value in enumerate([0, one, 0, -one, 0, 0]):
        data[matrix + 4 * i : matrix + 4 * i + 4] = value.to_bytes(4, "big", signed=True)
    path.write_bytes(bytes(data))
    footage = kit.take_in(path)
    assert footage.frames[0].size_px == (48, 64)
    _, shown = next(pictures(path, footage.frames))
    assert shown[:12, 36:].mean() > 230  # top right when upright
    assert shown[20:].mean() < 20


def test_a_cut_video(kit, tmp_path):
    path = write_video(tmp_path / "walk.mp4")
    path.write_bytes(path.read_bytes()[:2000])  # the index at the end is gone
    with pytest.raises(RecordingError, match="cut, damaged"):
        kit.take_in(path)


def test_sound_alone_is_no_video(kit, tmp_path):
    path = tmp_path / "sound.mp4"
    with av.open(str(path), "w") as container:
        stream = container.add_stream("aac", rate=8000)
        frame = av.AudioFrame.from_ndarray(np.zeros((1, 1024), np.float32), format="fltp", layout="mono")
        frame.sample_rate = 8000
        for packet in [*stream.encode(frame), *stream.encode()]:
            container.mux(packet)
    with pytest.raises(RecordingError, match="no video"):
        kit.take_in(path)
