"""``detect``: stopped half way it goes on where it stopped, and a failure leaves the folder as it was."""

import json
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest
from click.testing import Result

from swardwright.domain.frame import Detection
from swardwright.shell import spreading
from swardwright.shell.open_site import opened

Call = Callable[..., Result]


@pytest.fixture
def stops(monkeypatch: pytest.MonkeyPatch) -> Callable[[int | None], list[str]]:
    """Have a look stop by hand after some pictures (None: never); the list tells which were looked through."""
    real = spreading.look_through

    def after(count: int | None) -> list[str]:
        told: list[str] = []

        def stopping(*given: Any) -> Iterator[Any]:
            for number, (frame, found) in enumerate(real(*given)):
                if number == count:
                    raise KeyboardInterrupt
                told.append(frame.id)
                yield frame, [*found, Detection(f"{frame.id}#x", frame.id, 3.0, 4.0, 5.0, 0.9, (("clover", 1.0),))]

        monkeypatch.setattr(spreading, "look_through", stopping)
        return told

    return after


def test_a_recording_goes_on_where_it_stopped(
    own_site: Path, call: Call, logs: Any, tmp_path: Path, stops: Any
) -> None:
    assert call("take-in", own_site, logs.write_log(tmp_path / "drive", logs.Log())).exit_code == 0
    with opened(own_site) as at:
        frames = [frame.id for frame in at.frames()]
    assert len(frames) >= 3
    told = stops(2)
    assert call("detect", own_site).exit_code == 130
    assert told == frames[:2]
    with opened(own_site) as at:
        assert at.detections() == ()
    told = stops(None)
    done = call("detect", own_site, "--json")
    assert done.exit_code == 0, done.stderr
    assert told == frames[2:]
    assert json.loads(done.stdout)["kept_from_before"] == 2
    with opened(own_site) as at:
        assert [d.frame_id for d in at.detections()] == frames
    assert not list(own_site.glob("cache/looked-*"))
    told = stops(None)
    assert call("detect", own_site, "--again").exit_code == 0
    assert told == frames  # nothing was kept from the look that was stored


def test_another_detector_does_not_go_on_with_what_the_first_found(
    own_site: Path, call: Call, logs: Any, tmp_path: Path, stops: Any
) -> None:
    from swardwright.learning import card_path, shipped_detector

    assert call("take-in", own_site, logs.write_log(tmp_path / "drive", logs.Log())).exit_code == 0
    stops(2)
    assert call("detect", own_site).exit_code == 130
    (own_site / "models").mkdir(exist_ok=True)
    (own_site / "models" / "mine.onnx").write_bytes(shipped_detector().read_bytes())
    card = json.loads(card_path(shipped_detector()).read_text())
    (own_site / "models" / "mine.json").write_text(json.dumps({**card, "threshold": 0.9}))
    site = own_site / "site.toml"
    site.write_text(site.read_text().replace('model = "shipped"', 'model = "models/mine.onnx"'))
    told = stops(None)
    done = call("detect", own_site, "--json")
    assert done.exit_code == 0, done.stderr
    assert json.loads(done.stdout)["kept_from_before"] == 0
    with opened(own_site) as at:
        assert told == [frame.id for frame in at.frames()]
    assert not list(own_site.glob("cache/looked-*"))  # nor is what the first found left behind


def test_photographs_go_on_where_they_stopped_but_not_one_that_was_changed(
    call: Call, tmp_path: Path, stops: Any
) -> None:
    folder, out = tmp_path / "photos", tmp_path / "found.json"
    folder.mkdir()
    rng = np.random.default_rng(1)
    for number in range(4):
        cv2.imwrite(str(folder / f"{number}.png"), rng.integers(0, 90, (96, 128, 3), dtype=np.uint8))
    stops(3)
    assert call("detect", folder, "--out", out).exit_code == 130
    assert not out.exists()
    cv2.imwrite(str(folder / "1.png"), rng.integers(0, 90, (96, 160, 3), dtype=np.uint8))
    told = stops(None)
    done = call("detect", folder, "--out", out)
    assert done.exit_code == 0, done.stderr
    assert "2 pictures were looked through before a stop" in done.stdout
    assert told == ["1.png", "3.png"]
    assert [row["picture"] for row in json.loads(out.read_text())] == [f"{n}.png" for n in range(4)]
    assert sorted(p.name for p in tmp_path.iterdir()) == ["found.json", "photos"]


@pytest.mark.parametrize(
    ("words", "told"),
    [(("--tile", "100"), "multiple of 32"), (("--provider", "abacus"), "cannot compute"),
     (("--cluster", "farm:8786"), "without TLS"), (("--workers", "2"), "--workers")],
)  # fmt: skip
def test_wrong_options_are_refused_and_nothing_is_touched(
    own_site: Path, call: Call, logs: Any, tmp_path: Path, refused: Any, words: tuple[str, ...], told: str
) -> None:
    assert call("take-in", own_site, logs.write_log(tmp_path / "drive", logs.Log())).exit_code == 0
    call("status", own_site)
    assert told in refused(own_site, "detect", own_site, *words)


def test_a_photograph_on_its_side_is_turned_before_it_is_looked_through(call: Call, tmp_path: Path) -> None:
    import PIL.Image

    folder = tmp_path / "photos"
    folder.mkdir()
    image = PIL.Image.fromarray(np.full((96, 160, 3), 90, np.uint8))
    exif = PIL.Image.Exif()
    exif[0x0112] = 6
    image.save(folder / "a.jpg", exif=exif)
    from swardwright.shell.finding import _photographs

    [(frame, load)] = _photographs(folder, {"a.jpg": folder / "a.jpg"})
    assert frame.size_px == (96, 160)
    assert load().shape == (160, 96, 3)
