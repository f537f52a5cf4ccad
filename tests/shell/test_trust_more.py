"""How many more labels would help: which places teach and judge, and cards of earlier runs."""

import dataclasses
import json

import numpy as np
import pytest

from swardwright.domain.errors import InputError
from swardwright.domain.frame import Label
from swardwright.learning import Sample, read_card, shipped_detector
from swardwright.shell.trust_more import curve_of_cards, split_places, told


def sample(name: str, place: str, labels: int) -> Sample:
    marks = tuple(Label(name, 20.0 + 9 * i, 20.0, 4.0, "dock") for i in range(labels))
    return Sample(name, lambda: np.zeros((64, 96, 3), np.uint8), marks, place)


@pytest.mark.parametrize("seed", range(5))
def test_no_place_teaches_and_judges_and_a_quarter_has_two_places(seed):
    samples = [sample(f"p{n}", f"place {n % 6}", n % 3) for n in range(48)]
    taught, judging = split_places(samples, seed)
    assert not {s.group for s in taught} & {s.group for s in judging}
    assert len(taught) + len(judging) == 48
    assert any(s.labels for s in judging)
    assert len({s.group for s in taught[: len(taught) // 4] if s.labels}) >= 2


def test_too_few_places_or_pictures_are_refused():
    with pytest.raises(InputError, match="three places"):
        split_places([sample("a", "one", 1), sample("b", "two", 1), sample("c", "three", 0)], 0)
    with pytest.raises(InputError, match="eight pictures"):
        split_places([sample(f"p{n}", f"place {n}", 1) for n in range(4)], 0)


def test_cards_of_runs_give_a_curve_in_words(tmp_path):
    card = read_card(shipped_detector().with_suffix(".json"))
    paths = []
    for n, error in ((50, 0.4), (100, 0.3), (200, 0.22)):
        one = dataclasses.replace(card, data={"plants_taught": n}, scores={"f1": 1 - error, "plants": 300.0})
        paths.append(tmp_path / f"{n}.json")
        paths[-1].write_text(one.text())
    curve = curve_of_cards(paths)
    lines = told(curve)
    assert "with 200 labelled plants" in lines[0]
    assert "4 times" in lines[2]
    now, twice = curve.at(200), curve.at(400)
    assert twice[0] < now[0]
    assert now[1] <= 0.22 <= now[2]
    flat = [
        dataclasses.replace(card, data={"plants_taught": n}, scores={"f1": 0.01, "plants": 300.0}) for n in (9, 18, 36)
    ]
    for path, one in zip(paths, flat, strict=True):
        path.write_text(one.text())
    assert "next to nothing" in told(curve_of_cards(paths))[1]
    raw = json.loads(paths[0].read_text())
    del raw["scores"]["f1"]
    paths[0].write_text(json.dumps(raw))
    with pytest.raises(InputError, match="how the run went"):
        curve_of_cards(paths)
