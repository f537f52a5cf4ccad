from __future__ import annotations

import contextlib

import av
import cv2
import numpy as np
import pytest
from tests.footage.videos import turf, walk, with_matrix, write

from swardwright.domain.errors import RecordingError
from swardwright.footage import video_reading
from swardwright.footage.tone import HLG, PQ, hlg_scene, pq_signal
from swardwright.footage.video_picture import grey
from swardwright.footage.video_reading import VideoReading


def flat(*levels, size=(64, 48)):
    return [np.full((size[1], size[0], 3), level, np.uint8) for level in levels]


def read(path):
    reading = VideoReading(path)
    return reading, [(d.time_ns, d.picture()) for d in reading.frames()]


def test_times_are_those_of_the_file_where_the_rate_varies(tmp_path):
    times = [0, 33, 100, 116, 400, 1000, 1033]
    _, got = read(write(tmp_path / "v.mp4", flat(*range(20, 90, 10)), times_ms=times))
    assert [t / 1e6 for t, _ in got] == pytest.approx(times, abs=0.6)
    assert [p.mean() for _, p in got] == pytest.approx(range(20, 90, 10), abs=4)


@pytest.mark.parametrize("size", [(63, 47), (62, 50), (17, 33)])
def test_odd_sizes(tmp_path, size):
    picture = np.zeros((size[1], size[0], 3), np.uint8)
    picture[:, size[0] // 2 :] = 200
    _, got = read(write(tmp_path / "v.mp4", [picture] * 3, pix_fmt="yuv444p"))
    assert got[0][1].shape == picture.shape
    assert np.abs(got[0][1].astype(int) - picture).mean() < 8


QUARTERS = {
    "upright": (1, 0, 0, 1), "clockwise": (0, 1, -1, 0), "half": (-1, 0, 0, -1), "anticlockwise": (0, -1, 1, 0),
    "mirrored": (-1, 0, 0, 1), "upside down mirror": (1, 0, 0, -1), "mirrored, clockwise": (0, 1, 1, 0),
}  # fmt: skip


@pytest.mark.parametrize("name", QUARTERS)
def test_pictures_are_turned_and_mirrored_as_the_display_matrix_says(tmp_path, name):
    """ISO 14496-12: a point (x, y) of the coded picture is shown at (a x + c y, b x + d y), moved into view."""
    picture = np.zeros((48, 64, 3), np.uint8)
    picture[:16, :16], picture[:16, -16:] = 255, 120
    path = with_matrix(write(tmp_path / "v.mp4", [picture] * 2), *QUARTERS[name])
    _, got = read(path)
    a, b, c, d = QUARTERS[name]
    rows, columns = np.mgrid[:48, :64]
    x, y = a * columns + c * rows, b * columns + d * rows
    wanted = np.zeros((np.ptp(y) + 1, np.ptp(x) + 1, 3))
    wanted[y - y.min(), x - x.min()] = picture
    assert got[0][1].shape == wanted.shape
    assert np.abs(got[0][1].astype(int) - wanted).mean() < 5


@pytest.mark.parametrize("transfer", [PQ, HLG])
def test_ten_bits_of_high_dynamic_range_become_eight_with_mid_tones_in_their_place(tmp_path, transfer):
    """A grey of 18 % of the reference white (203 cd/m2) is sRGB 118; ten times the white is no brighter than 255."""
    levels = np.array([0.18 * 203, 203.0, 900.0])
    if transfer == PQ:
        signal = pq_signal(levels)
    else:  # display light of grey is 1000 E^1.2
        scene = (levels / 1000) ** (1 / 1.2)
        codes = np.linspace(0, 1, 100_001)
        signal = np.interp(scene, hlg_scene(codes), codes)
    coded = [np.full((48, 64), round(64 + 876 * s), np.uint16) for s in signal]

    def prepare(frame):
        made = av.VideoFrame(64, 48, "yuv420p10le")
        luma = coded[prepare.number]
        prepare.number += 1
        for plane, values in zip(made.planes, (luma, np.full((24, 32), 512), np.full((24, 32), 512)), strict=True):
            rows = np.zeros((plane.height, plane.line_size // 2), "<u2")
            rows[:, : plane.width] = values
            plane.update(rows.tobytes())
        made.color_trc, made.colorspace, made.color_range, made.color_primaries = transfer, 9, 1, 9
        return made

    prepare.number = 0
    tags = f"colorprim=bt2020:transfer={'smpte2084' if transfer == PQ else 'arib-std-b67'}:colormatrix=bt2020nc"
    path = write(tmp_path / "v.mp4", flat(0, 0, 0), pix_fmt="yuv420p10le", options={"x264-params": tags},
                 prepare=prepare)  # fmt: skip
    reading = VideoReading(path)
    frames = list(reading.frames())
    assert frames[0].frame.format.components[0].bits == 10
    assert int(frames[0].frame.color_trc) == transfer
    middle = [f.picture()[24, 32].astype(int) for f in frames]
    assert middle[0] == pytest.approx([118] * 3, abs=3)
    assert 215 < middle[1].mean() < middle[2].mean() <= 255  # white is bright, what is brighter still differs
    assert [grey(f.frame).half[12, 16] for f in frames] == pytest.approx([m.mean() for m in middle], abs=3)


def test_of_an_interlaced_picture_one_field_is_shown(tmp_path):
    picture = np.zeros((64, 64, 3), np.uint8)
    picture[1::2] = 200  # the second field saw something else
    path = write(tmp_path / "v.mp4", [picture] * 4, options={"x264-params": "tff=1:interlaced=1"}, pix_fmt="yuv444p")
    reading = VideoReading(path)
    first = next(iter(reading.frames()))
    assert first.frame.interlaced_frame
    assert first.picture().mean() < 20
    assert first.picture().shape == (64, 64, 3)
    assert grey(first.frame).half.mean() < 20


def test_pixels_become_square(tmp_path):
    path = tmp_path / "v.mp4"
    with av.open(str(path), "w") as container:
        stream = container.add_stream("libx264", rate=20)
        stream.width, stream.height, stream.pix_fmt = 64, 48, "yuv420p"
        stream.codec_context.sample_aspect_ratio = 2
        for packet in [*stream.encode(av.VideoFrame.from_ndarray(flat(90)[0], format="rgb24")), *stream.encode()]:
            container.mux(packet)
    assert read(path)[1][0][1].shape == (48, 128, 3)


# -- damage --------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("suffix", [".mkv", ".mp4"])
def test_what_decodes_of_a_cut_video_is_used_and_the_cut_is_told(tmp_path, suffix):
    path = write(tmp_path / f"v{suffix}", walk(turf(), 60),
                 container_options={"movflags": "faststart"} if suffix == ".mp4" else {})  # fmt: skip
    whole, frames = read(path)
    assert len(frames) == 60
    assert whole.notes() == ()
    path.write_bytes(path.read_bytes()[: path.stat().st_size // 2])
    cut, frames = read(path)
    assert 10 < len(frames) < 50
    assert "cut short" in cut.notes()[0]
    assert f"{frames[-1][0] / 1e9:.1f} s" in cut.notes()[0]


def test_damaged_packets_in_the_middle_are_passed_over(tmp_path):
    path = write(tmp_path / "v.mp4", walk(turf(), 60), container_options={"movflags": "faststart"})
    data = bytearray(path.read_bytes())
    middle = len(data) // 2
    data[middle : middle + 4000] = np.random.default_rng(1).integers(0, 256, 4000, np.uint8).tobytes()
    path.write_bytes(bytes(data))
    _, frames = read(path)
    assert len(frames) > 40
    assert frames[-1][0] / 1e9 > 2.8


def test_a_jump_goes_on_at_the_very_frame(tmp_path):
    path = write(tmp_path / "v.mp4", walk(turf(), 45), options={"bf": "2", "g": "12"})
    reading = VideoReading(path)
    whole = [(d.number, d.time_ns, d.picture()) for d in reading.frames()]
    again = VideoReading(path)
    again.zero = reading.zero
    for at in (0, 7, 23, 44):
        rest = [(d.number, d.time_ns, d.picture()) for d in again.frames((at, whole[at][1]))]
        assert [r[:2] for r in rest] == [w[:2] for w in whole[at:]]
        assert all((r[2] == w[2]).all() for r, w in zip(rest, whole[at:], strict=True))


BAD = {
    "empty": (b"", "empty"),
    "text": (b"hello, this is not a video at all", "not a video"),
    "list of other files": (b"#EXTM3U\n#EXTINF:10,\n/etc/hostname\n", "not a video"),
    "list in another guise": (b"ffconcat version 1.0\nfile '/etc/hostname'\n", "not a video"),
    "head alone": (b"\0\0\0\x20ftypisom\0\0\2\0isomiso2avc1mp41", "cut, damaged"),
}


@pytest.mark.parametrize("name", BAD)
def test_what_is_no_video_is_refused_in_one_sentence(tmp_path, name):
    content, words = BAD[name]
    path = tmp_path / "v.mp4"
    path.write_bytes(content)
    with pytest.raises(RecordingError, match=words) as caught:
        read(path)
    assert caught.value.remedy


def test_a_folder_and_nothing_at_all(tmp_path):
    with pytest.raises(RecordingError, match="folder"):
        read(tmp_path)
    with pytest.raises(RecordingError, match="no such video"):
        read(tmp_path / "none.mp4")


def test_sound_with_a_cover_picture_is_no_video(tmp_path):
    path = tmp_path / "v.mp4"
    with av.open(str(path), "w") as container:
        sound = container.add_stream("aac", rate=8000)
        cover = container.add_stream("mjpeg", rate=1)
        cover.width, cover.height, cover.pix_fmt = 64, 48, "yuvj420p"
        cover.disposition = av.stream.Disposition.attached_pic
        silence = av.AudioFrame.from_ndarray(np.zeros((1, 1024), np.float32), format="fltp", layout="mono")
        silence.sample_rate = 8000
        jpeg = cv2.imencode(".jpg", flat(90)[0])[1]
        packet = av.Packet(jpeg.tobytes())
        packet.stream, packet.pts, packet.dts = cover, 0, 0
        container.mux(packet)
        for packet in [*sound.encode(silence), *sound.encode()]:
            container.mux(packet)
    with pytest.raises(RecordingError, match="no video"):
        read(path)


@pytest.mark.parametrize("suffix", [".mkv", ".mp4", ".avi"])
def test_a_video_without_a_single_picture(tmp_path, suffix):
    path = tmp_path / f"v{suffix}"
    with av.open(str(path), "w") as container:
        stream = container.add_stream("mpeg4", rate=20)
        stream.width, stream.height, stream.pix_fmt = 64, 48, "yuv420p"
        container.start_encoding()
    with pytest.raises(RecordingError, match=r"no pictures|no video"):
        read(path)


def test_sizes_and_lengths_beyond_the_bounds(tmp_path, monkeypatch):
    path = write(tmp_path / "v.mp4", flat(*[90] * 30))
    for name, value, words in (("MAX_VIDEO_PIXELS", 3000, "too large"), ("MAX_VIDEO_FRAMES", 20, "too long"),
                               ("MAX_VIDEO_S", 1.0, "too long")):  # fmt: skip
        with monkeypatch.context() as patch:
            patch.setattr(video_reading, name, value)
            with pytest.raises(RecordingError, match=words):
                read(path)
    assert len(read(path)[1]) == 30


def test_bytes_changed_at_random_end_in_pictures_or_one_sentence(tmp_path):
    ground = turf(1, 900, 700)
    sources = [write(tmp_path / n, walk(ground, 12)) for n in ("a.mp4", "b.mkv")]
    sources.append(write(tmp_path / "c.avi", walk(ground, 12), codec="mpeg4"))
    rng = np.random.default_rng(7)
    for turn in range(60):
        source = sources[turn % 3]
        data = bytearray(source.read_bytes())
        reach = len(data) if turn % 2 else min(len(data), 1500)
        for at in rng.integers(0, reach, int(rng.integers(1, 60))):
            data[at] = int(rng.integers(256))
        path = tmp_path / f"x{source.suffix}"
        path.write_bytes(bytes(data))
        with contextlib.suppress(RecordingError):  # any other error fails
            assert read(path)[1]
