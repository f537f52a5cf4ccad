"""Before teaching: shared ground is refused or joined, and what was found is kept by content."""

import dataclasses

import cv2
import numpy as np
import pytest

from swardwright.domain.errors import InputError
from swardwright.domain.frame import Label
from swardwright.shell import place_check
from swardwright.shell.place_check import copies_among, kept_apart


def picture(seed, x=0):
    noise = np.random.default_rng([seed, 5]).standard_normal((300, 900, 3)).astype(np.float32)
    out = sum(cv2.GaussianBlur(noise, (0, 0), s) * s for s in (1.5, 4, 9))
    return np.clip(110 + 60 * out[:, x : x + 400], 0, 255).astype(np.uint8)


@dataclasses.dataclass(frozen=True)
class OneSample:
    """As ``learning.Sample``, without PyTorch."""

    name: str
    image: np.ndarray
    labels: tuple
    group: str

    def load(self):
        return self.image


@dataclasses.dataclass(frozen=True)
class Settings:
    folds: int = 1
    holdout_fraction: float = 0.25
    seed: int = 0


@pytest.fixture
def samples():
    """Six places; the last picture of place 1 and the first of place 2 show the same ground."""
    label = (Label("x", 50.0, 50.0, 9.0, "dock"),)
    made = [OneSample(f"place{p}/{i}.jpg", picture(10 * p + i), label, f"place{p}") for p in range(6) for i in range(2)]
    made[3] = dataclasses.replace(made[3], image=picture(99))
    made[4] = dataclasses.replace(made[4], image=picture(99, 150))
    return made


def test_stated_places_with_shared_ground_are_refused_by_name(samples):
    with pytest.raises(InputError) as caught:
        kept_apart(samples, Settings(), stated=True)
    assert "place1/1.jpg and place2/0.jpg" in str(caught.value)
    assert caught.value.exit_status == 2
    assert "one place" in caught.value.remedy


def test_found_places_with_shared_ground_are_joined_and_it_is_said(samples):
    apart = kept_apart(samples, Settings())
    assert apart.held is not None
    held = {s.name for s in apart.held}
    assert held | {s.name for s in apart.taught} == {s.name for s in samples}
    assert ("place1/1.jpg" in held) == ("place2/0.jpg" in held)
    assert "place1/1.jpg and place2/0.jpg" in apart.notes[0]
    folds = kept_apart(samples, Settings(folds=3))
    assert folds.held is None
    assert len({s.group for s in folds.taught}) == 5


def test_places_apart_pass_as_they_are(samples):
    apart = kept_apart([s for s in samples if s.group != "place2"], Settings(), stated=True)
    assert apart.notes == ()


def test_the_second_time_nothing_is_computed(samples, tmp_path, monkeypatch):
    pictures = {s.name: s.load for s in samples}
    told = []
    first = copies_among(pictures, cache=tmp_path / "cache", progress=lambda *a: told.append(a))
    assert [(c.first, c.second) for c in first[0]] == [("place1/1.jpg", "place2/0.jpg")]
    assert ("reading pictures", 12, 12) in told
    assert ("comparing pictures", 12, 12) in told

    def refuse(*_args, **_more):
        raise AssertionError("computed again")

    monkeypatch.setattr(place_check, "look_of", refuse)
    monkeypatch.setattr(place_check, "near_copies", refuse)
    assert copies_among(pictures, cache=tmp_path / "cache") == first


def test_damaged_or_foreign_files_are_made_again(samples, tmp_path):
    pictures = {s.name: s.load for s in samples[2:6]}
    first = copies_among(pictures, cache=tmp_path)
    for path in tmp_path.iterdir():
        path.write_bytes(path.read_bytes()[:100] if path.suffix == ".npz" else b'[{"first": 1}]')
    assert copies_among(pictures, cache=tmp_path) == first
    assert copies_among(pictures, cache=tmp_path) == first


def test_a_changed_picture_is_seen_as_another(samples, tmp_path):
    pictures = {s.name: s.load for s in samples[2:6]}
    assert len(copies_among(pictures, cache=tmp_path)[0]) == 1
    pictures["place2/0.jpg"] = lambda: picture(1234)
    assert copies_among(pictures, cache=tmp_path)[0] == ()


def test_plain_pictures_are_counted():
    plain = np.full((60, 80, 3), 90, np.uint8)
    assert copies_among({"a": lambda: plain, "b": lambda: plain}) == ((), 2)
