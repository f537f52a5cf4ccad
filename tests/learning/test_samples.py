"""Settings, hold-out by place and random crops."""

import numpy as np
import pytest

from swardwright.domain.errors import InputError
from swardwright.domain.frame import Label
from swardwright.learning import Sample, TeachSettings
from swardwright.learning.augment import random_crop
from swardwright.learning.samples import split_by_group


def sample(name, group, plants=1):
    labels = tuple(Label(name, 20.0, 20, 8, "weed") for _ in range(plants))
    return Sample(name, lambda: np.zeros((64, 64, 3), np.uint8), labels, group)


def test_no_place_stands_on_both_sides():
    samples = [sample(f"{g}{i}", g) for g in "abcdefghij" for i in range(4)]
    for seed in range(20):
        taught, held = split_by_group(samples, 0.2, np.random.default_rng(seed))
        assert {s.group for s in taught}.isdisjoint({s.group for s in held})
        assert len(held) == 8
        assert len(taught) == 32


def test_both_sides_get_a_plant_even_if_most_places_are_bare():
    samples = [sample(g, g, 1 if g in "ab" else 0) for g in "abcdefgh"]
    for seed in range(30):
        for part in split_by_group(samples, 0.2, np.random.default_rng(seed)):
            assert any(s.labels for s in part)


def test_one_place_or_one_labelled_place_is_refused():
    with pytest.raises(InputError, match="two places"):
        split_by_group([sample("x", "a"), sample("y", "a")], 0.2, np.random.default_rng(0))
    with pytest.raises(InputError, match="two places"):
        split_by_group([sample("x", "a"), sample("y", "b", 0)], 0.2, np.random.default_rng(0))


@pytest.mark.parametrize(
    ("field", "value"),
    [("steps", 0), ("learning_rate", float("nan")), ("crop_px", 250), ("minutes", 0.0), ("miss_price", -1.0),
     ("holdout_fraction", 1.0)],
)  # fmt: skip
def test_settings_out_of_range_name_their_field(field, value):
    with pytest.raises(InputError) as caught:
        TeachSettings(**{field: value})
    assert caught.value.field == field


def test_labels_follow_their_plant_through_zoom_turn_and_mirror():
    """A white dot is drawn at the label; after any crop the label must lie on the dot's centre of mass."""
    settings = TeachSettings(crop_px=128)
    seen = 0
    for seed in range(40):
        image = np.zeros((200, 260, 3), np.uint8)
        image[79:82, 119:122] = 255
        crop, plants, _ = random_crop(
            image, np.array([[120.0, 80, 10, 0]]), np.zeros((0, 3)), settings, np.random.default_rng(seed)
        )
        if len(plants) != 1 or not (8 < plants[0, 0] < 120 and 8 < plants[0, 1] < 120):
            continue
        u, v = plants[0, :2]
        grey = crop.astype(float).mean(axis=2)
        part = grey[int(v) - 6 : int(v) + 8, int(u) - 6 : int(u) + 8]
        weight = np.clip(part - np.median(grey) - 25, 0, None)
        if weight.sum() <= 0:
            continue
        rows, columns = np.mgrid[int(v) - 6 : int(v) + 8, int(u) - 6 : int(u) + 8]
        assert np.sum(columns * weight) / weight.sum() == pytest.approx(u, abs=0.6)
        assert np.sum(rows * weight) / weight.sum() == pytest.approx(v, abs=0.6)
        seen += 1
    assert seen >= 10
