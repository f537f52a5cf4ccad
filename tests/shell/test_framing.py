"""``frames``: videos to pictures with their places, gone on with after an interruption, and bad input told plainly."""

from __future__ import annotations

import csv
import json
import shutil
from pathlib import Path

import cv2
import numpy as np
import pytest
from tests.footage.videos import turf, walk, write
from tests.shell.conftest import fingerprint, run_command

from swardwright.frames.choosing import Choice
from swardwright.shell import choosing_frames
from swardwright.shell.choosing_frames import choose_from_videos
from swardwright.shell.frames_index import INDEX, read_index

GROUND = turf(6, 6000, 900)


@pytest.fixture(scope="module")
def videos(tmp_path_factory) -> Path:
    folder = tmp_path_factory.mktemp("videos")
    pictures = walk(GROUND, 100, step=14)
    for n in range(9, 100, 10):
        pictures[n] = cv2.blur(pictures[n], (25, 1))
    write(folder / "walk.mp4", pictures)
    write(folder / "again.mov", walk(GROUND, 40, step=-14, start=900))
    write(folder / "elsewhere.mp4", walk(GROUND, 40, step=14, start=3500))
    return folder


def files(folder: Path) -> dict[str, bytes]:
    return {p.name: p.read_bytes() for p in sorted(folder.iterdir())}


def test_pictures_index_and_table(videos, tmp_path):
    out = tmp_path / "out"
    done = run_command("frames", videos / "walk.mp4", "--out", out, "--json")
    assert done.exit_code == 0, done.output
    told = json.loads(done.stdout)
    index = json.loads((out / INDEX).read_text())
    assert [f["name"] for f in told["frames"]] == [f["name"] for f in index["frames"]]
    assert {p.name for p in out.iterdir()} == {f["name"] for f in index["frames"]} | {INDEX, "walk.csv"}
    (video,) = index["videos"]
    assert video["pictures_found"] == 100
    assert video["kept"] + sum(video["left_out"].values()) == 100
    assert video["left_out"]["blurred"] == 10
    rows = list(csv.DictReader((out / "walk.csv").open()))
    assert len(rows) == 100
    assert [r["name"] for r in rows if r["reason"] == "kept"] == [f["name"] for f in index["frames"]]
    assert {int(r["number"]) for r in rows if r["reason"] == "blurred"} == set(range(9, 100, 10))
    for frame in index["frames"]:
        assert frame["time_s"] == pytest.approx(frame["number"] / 20)
        assert frame["why"]
        picture = cv2.imread(str(out / frame["name"]))
        assert picture.shape == (frame["height_px"], frame["width_px"], 3) == (240, 320, 3)
        shown = walk(GROUND, 100, step=14)[frame["number"]]
        assert np.abs(picture[..., ::-1].astype(int) - shown).mean() < 12


def test_videos_of_the_same_ground_are_one_place_and_others_another(videos, tmp_path):
    out = tmp_path / "out"
    done = run_command("frames", *(videos / n for n in ("walk.mp4", "again.mov", "elsewhere.mp4")), "--out", out)
    assert done.exit_code == 0, done.output
    places = {}
    for frame in read_index(out).frames:
        places.setdefault(frame["video"], set()).add(frame["group"])
    assert places["elsewhere.mp4"].isdisjoint(places["walk.mp4"])
    assert "again.mov" not in places or places["again.mov"] <= places["walk.mp4"]  # what it shows was kept already
    assert "2 places" in done.stdout or "3 places" in done.stdout


class Stopped:
    """Raises after so many calls, as a person's interruption would."""

    def __init__(self, writes: int) -> None:
        self.left = writes

    def __call__(self, path: Path, data: bytes, *, sync: bool = True) -> None:
        if self.left == 0:
            raise KeyboardInterrupt
        self.left -= 1
        whole(path, data, sync=sync)


whole = choosing_frames.write_whole


@pytest.mark.parametrize("writes", [1, 2, 4])
def test_interrupted_and_gone_on_with_the_result_is_the_same(videos, tmp_path, monkeypatch, writes):
    straight, broken = tmp_path / "straight", tmp_path / "broken"
    choose_from_videos([videos / "walk.mp4"], straight, Choice())
    with monkeypatch.context() as patch:
        patch.setattr(choosing_frames, "write_whole", Stopped(writes))
        with pytest.raises(KeyboardInterrupt):
            choose_from_videos([videos / "walk.mp4"], broken, Choice())
    assert not (broken / INDEX).exists()
    kept = {p.name: p.stat().st_mtime_ns for p in broken.glob("*.jpg")}
    assert len(kept) == writes
    choose_from_videos([videos / "walk.mp4"], broken, Choice())
    assert files(straight) == files(broken)
    assert {n: (broken / n).stat().st_mtime_ns for n in list(kept)[:-1]} == dict(list(kept.items())[:-1])


def test_a_journal_cut_in_the_middle_of_a_line_loses_one_picture_only(videos, tmp_path, monkeypatch):
    out, straight = tmp_path / "out", tmp_path / "straight"
    with monkeypatch.context() as patch:
        patch.setattr(choosing_frames, "write_whole", Stopped(4))
        with pytest.raises(KeyboardInterrupt):
            choose_from_videos([videos / "walk.mp4"], out, Choice())
    (journal,) = out.glob(".*.journal")
    journal.write_bytes(journal.read_bytes()[:-40])
    choose_from_videos([videos / "walk.mp4"], out, Choice())
    choose_from_videos([videos / "walk.mp4"], straight, Choice())
    assert files(out) == files(straight)


def test_a_second_run_changes_nothing_and_other_settings_are_refused(videos, tmp_path):
    out = tmp_path / "out"
    assert run_command("frames", videos / "walk.mp4", "--out", out).exit_code == 0
    before = fingerprint(out)
    again = run_command("frames", videos / "walk.mp4", "--out", out)
    assert again.exit_code == 0
    assert "done before" in again.stdout
    other = run_command("frames", videos / "elsewhere.mp4", "--out", out, "--overlap", "0.2")
    assert other.exit_code == 2
    assert "overlap" in other.stderr
    assert fingerprint(out) == before


def test_two_videos_of_one_name_both_stay(videos, tmp_path):
    (tmp_path / "b").mkdir()
    shutil.copy(videos / "elsewhere.mp4", tmp_path / "b" / "walk.mp4")
    out = tmp_path / "out"
    done = run_command("frames", videos / "walk.mp4", tmp_path / "b" / "walk.mp4", "--out", out)
    assert done.exit_code == 0, done.output
    assert {v["stem"] for v in read_index(out).videos} == {"walk", "walk-2"}
    assert len({f["name"] for f in read_index(out).frames}) == len(read_index(out).frames)


def test_metres_per_pixel(videos, tmp_path):
    words = ("--height", "1.2 m", "--sensor-width", "36 mm", "--focal-length", "26 mm")
    assert run_command("frames", videos / "walk.mp4", "--out", tmp_path / "out", *words).exit_code == 0
    assert read_index(tmp_path / "out").frames[0]["metres_per_px"] == pytest.approx(1.2 * 36 / 26 / 320)
    for wrong in (words[:4], (*words[:4], "--focal-length", "0 mm"), ("--height", "1.2")):
        done = run_command("frames", videos / "walk.mp4", "--out", tmp_path / "other", *wrong)
        assert done.exit_code == 2
        assert "To mend it" in done.stderr
    assert not (tmp_path / "other").exists()


def test_teaching_takes_places_and_scale_from_the_index(videos, tmp_path):
    from swardwright.domain.frame import Label
    from swardwright.labels import LabelledPicture, LabelSet
    from swardwright.shell.teach_samples import samples_from_labels

    words = ("--height", "1.2 m", "--sensor-width", "36 mm", "--focal-length", "26 mm")
    done = run_command("frames", videos / "walk.mp4", videos / "elsewhere.mp4", "--out", tmp_path / "out", *words)
    assert done.exit_code == 0, done.output
    index = read_index(tmp_path / "out")
    pictures = tuple(LabelledPicture(f["name"], 320, 240, (Label(f["name"], 9, 9, 5, "daisy"),)) for f in index.frames)
    samples = samples_from_labels(LabelSet(("daisy",), pictures), tmp_path / "out")
    assert {s.name: s.group for s in samples} == index.groups()
    assert len({s.group for s in samples}) >= 2
    assert all(s.metres_per_px == pytest.approx(1.2 * 36 / 26 / 320) for s in samples)


BAD = {
    "text": lambda p: p.write_text("no video, only words"),
    "empty": lambda p: p.write_bytes(b""),
    "folder": lambda p: p.mkdir(),
    "absent": lambda p: None,
    "other files": lambda p: p.write_text("#EXTM3U\n#EXTINF:1,\n/etc/hostname\n"),
}


@pytest.mark.parametrize("name", BAD)
def test_bad_videos_are_told_in_one_sentence_and_nothing_is_written(videos, tmp_path, name):
    bad = tmp_path / "bad.mp4"
    BAD[name](bad)
    done = run_command("frames", videos / "walk.mp4", bad, "--out", tmp_path / "out")
    assert done.exit_code == 2
    assert len(done.stderr.strip().splitlines()) == 2
    assert not (tmp_path / "out").exists()


def test_a_damaged_index_and_a_missing_folder_name(videos, tmp_path):
    assert run_command("frames", videos / "walk.mp4").exit_code == 2
    for content in (
        "{",
        '{"format": 9}',
        '{"format": 1, "settings": {}, "videos": [], "frames": [{"name": "../a.jpg"}]}',
    ):
        (tmp_path / INDEX).write_text(content)
        done = run_command("frames", videos / "walk.mp4", "--out", tmp_path)
        assert done.exit_code == 2
        assert "index" in done.stderr


def test_a_cut_video_keeps_what_decodes_and_says_so(videos, tmp_path):
    cut = write(tmp_path / "cut.mp4", walk(GROUND, 80, step=14), container_options={"movflags": "faststart"})
    cut.write_bytes(cut.read_bytes()[: cut.stat().st_size // 2])
    done = run_command("frames", cut, "--out", tmp_path / "out")
    assert done.exit_code == 0
    assert "cut short" in done.stdout
    assert len(list((tmp_path / "out").glob("*.jpg"))) >= 2


# -- into a site ---------------------------------------------------------------------------------------------------


def test_a_site_takes_frames_with_their_places_and_gives_their_pictures(own_site, videos):
    from swardwright.footage import pictures
    from swardwright.shell.open_site import opened

    done = run_command("frames", own_site, videos / "walk.mp4", "--json")
    assert done.exit_code == 0, done.output
    (told,) = json.loads(done.stdout)["recordings"]
    with opened(own_site) as at:
        frames = at.frames("walk.mp4")
        assert len(frames) == told["frames_kept"] > 3
        assert all(f.place == "001" for f in frames)
        assert at.store.for_teaching("walk.mp4")
        assert (own_site / "recordings" / "walk.mp4").is_file()
        for frame, image in pictures(own_site / "recordings" / "walk.mp4", frames[:2]):
            assert image.shape == (240, 320, 3)
            assert frame.size_px == (320, 240)
    assert not list((own_site / "cache").glob("frames-*"))
    again = run_command("frames", own_site, "walk.mp4", "--overlap", "0.1", "--json")
    assert again.exit_code == 0, again.output
    assert json.loads(again.stdout)["recordings"][0]["frames_kept"] < told["frames_kept"]


def test_a_site_and_wrong_words(own_site, videos, tmp_path):
    before = fingerprint(own_site)
    (tmp_path / "words.mp4").write_text("only words")
    walk_there = (own_site, videos / "walk.mp4", "--out", tmp_path / "o")
    to_site = (videos / "walk.mp4", "--out", own_site)
    for words in ((own_site,), walk_there, (own_site, tmp_path / "words.mp4"), (own_site, "none.mp4"), to_site):
        done = run_command("frames", *words)
        assert done.exit_code == 2, done.output
        assert "To mend it" in done.stderr
    assert fingerprint(own_site) == before
