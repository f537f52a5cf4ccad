"""Finding plants with the shipped detector; nothing here needs PyTorch."""

import dataclasses
import json
import shutil
from types import SimpleNamespace

import numpy as np
import pytest

from swardwright.domain.errors import InputError
from swardwright.domain.frame import Frame, Label
from swardwright.learning import card_path, detect, load_detector, read_card, shipped_detector
from swardwright.learning.detector import Detector
from swardwright.learning.judging import found_by_edge
from swardwright.learning.samples import Sample, TeachSettings
from swardwright.learning.targets import Candidates


@pytest.fixture(scope="module")
def detector():
    return load_detector(shipped_detector())


@pytest.fixture(scope="module")
def scene():
    """One rendered picture of a teaching seed that no teaching used (taught: 1,000,000.. and 1,050,000..)."""
    from swardwright.shell.teaching import decoded, render_scene

    picture = max(render_scene(1_950_002, 3), key=lambda p: len(p.labels))
    return decoded(picture.jpeg, picture.name), picture


def test_shipped_model_is_small_and_says_what_it_has_seen():
    assert shipped_detector().stat().st_size < 8_000_000
    card = read_card(card_path(shipped_detector()))
    assert card.kinds == ("clover", "daisy", "dandelion", "plantain", "woodrush")
    assert "invented" in card.cautions
    assert card.data["invented"] is True
    assert card.data["scene_seeds_taught"][0] >= 1_000_000
    assert card.training["machine"]


def test_plants_are_found_with_probabilities_that_add_up(detector, scene):
    image, picture = scene
    found = detector.find(image, "r/00001")
    assert len(picture.labels) >= 3
    hits = 0
    for label in picture.labels:
        gate = 0.03 / picture.metres_per_px
        hits += any(np.hypot(d.u_px - label.u_px, d.v_px - label.v_px) < gate for d in found)
    assert hits >= 0.8 * len(picture.labels)
    assert [d.id for d in found] == [f"r/00001#{n}" for n in range(len(found))]
    for d in found:
        assert detector.card.threshold <= d.probability <= 1
        assert sum(p for _, p in d.kinds) == pytest.approx(1)
        assert d.kinds[0][1] == max(p for _, p in d.kinds)


def test_odd_sizes_and_detect(detector, scene):
    image, _ = scene
    frame = Frame("rec/00007", "rec", 0, "topic", (333, 215))
    [(same, found)] = list(detect([(frame, image[:215, :333])], detector))
    assert same is frame
    assert all(0 <= d.u_px < 333 and 0 <= d.v_px < 215 for d in found)


@pytest.mark.parametrize(
    "picture", [np.zeros((10, 400, 3), np.uint8), np.zeros((100, 100), np.uint8), np.zeros((100, 100, 3), np.float32),
                np.zeros((64, 30_000, 3), np.uint8), None],
)  # fmt: skip
def test_wrong_pictures_are_refused(detector, picture):
    with pytest.raises(InputError) as caught:
        detector.find(picture, "f")
    assert caught.value.remedy


def copied(tmp_path):
    model = tmp_path / "m.onnx"
    shutil.copy(shipped_detector(), model)
    shutil.copy(card_path(shipped_detector()), tmp_path / "m.json")
    return model


def test_missing_file_and_missing_card(tmp_path):
    with pytest.raises(InputError, match="no such detector"):
        load_detector(tmp_path / "m.onnx")
    model = copied(tmp_path)
    (tmp_path / "m.json").unlink()
    with pytest.raises(InputError, match="no card"):
        load_detector(model)


def test_a_cut_file_is_refused_and_so_is_one_that_is_not_onnx(tmp_path):
    import hashlib

    model = copied(tmp_path)
    model.write_bytes(model.read_bytes()[:100_000])
    with pytest.raises(InputError, match="not the one its card describes"):
        load_detector(model)
    card = json.loads((tmp_path / "m.json").read_text())
    card["onnx_sha256"] = hashlib.sha256(model.read_bytes()).hexdigest()
    (tmp_path / "m.json").write_text(json.dumps(card))
    with pytest.raises(InputError, match="not readable ONNX"):
        load_detector(model)


def test_a_foreign_network_is_refused(tmp_path):
    onnx = pytest.importorskip("onnx")
    import hashlib

    from onnx import TensorProto, helper

    x = helper.make_tensor_value_info("x", TensorProto.FLOAT, [1, 3, 8, 8])
    y = helper.make_tensor_value_info("y", TensorProto.FLOAT, [1, 3, 8, 8])
    graph = helper.make_graph([helper.make_node("Relu", ["x"], ["y"])], "g", [x], [y])
    foreign = helper.make_model(graph, opset_imports=[helper.make_opsetid("", 17)])
    foreign.ir_version = 8
    model = copied(tmp_path)
    onnx.save(foreign, model)
    card = json.loads((tmp_path / "m.json").read_text())
    card["onnx_sha256"] = hashlib.sha256(model.read_bytes()).hexdigest()
    (tmp_path / "m.json").write_text(json.dumps(card))
    with pytest.raises(InputError, match="not a crown detector"):
        load_detector(model)


@pytest.mark.parametrize(
    ("field", "value"),
    [("format", "other"), ("threshold", 1.5), ("temperature", float("nan")), ("temperature", 0), ("kinds", []),
     ("kinds", ["a", "a"]), ("bias", "x"), ("data", 3), ("onnx_sha256", None), ("detection_probability", True)],
)  # fmt: skip
def test_a_wrong_card_is_refused_with_its_field(tmp_path, field, value):
    model = copied(tmp_path)
    card = json.loads((tmp_path / "m.json").read_text())
    card[field] = value
    (tmp_path / "m.json").write_text(json.dumps(card))
    with pytest.raises(InputError) as caught:
        load_detector(model)
    assert caught.value.field == field


def test_a_card_without_a_field_or_json_is_refused(tmp_path):
    model = copied(tmp_path)
    card = json.loads((tmp_path / "m.json").read_text())
    del card["bias"]
    (tmp_path / "m.json").write_text(json.dumps(card))
    with pytest.raises(InputError, match="bias"):
        load_detector(model)
    (tmp_path / "m.json").write_text("{")
    with pytest.raises(InputError, match="JSON"):
        load_detector(model)


def test_bands_of_a_card_are_optional_and_checked(tmp_path):
    whole = json.loads(card_path(shipped_detector()).read_text())
    row = {"from_px": 0.0, "plants": 40, "found": 30, "probability": 0.76, "low95": 0.6, "high95": 0.86}
    inner = {**row, "from_px": 8.0, "found": 40, "probability": 0.97}

    def read(bands):
        card = {k: v for k, v in whole.items() if k != "bands"}
        (tmp_path / "m.json").write_text(json.dumps(card if bands is None else {**card, "bands": bands}))
        return read_card(tmp_path / "m.json")

    assert read(None).detection_bands() is None
    assert read([row, inner]).detection_bands() == ((0.0, 0.76), (8.0, 0.97))
    (tmp_path / "m.json").write_text(read([row, inner]).text())  # as written, so read
    assert read_card(tmp_path / "m.json").detection_bands() == ((0.0, 0.76), (8.0, 0.97))
    for wrong in (
        "x", [inner], [row, row], [row] * 21, [{**row, "found": 41}], [{**row, "probability": 1.2}], [{"from_px": 0}],
        [{**row, "plants": float("nan")}], [{**row, "plants": True}], [None],
    ):  # fmt: skip
        with pytest.raises(InputError, match="bands"):
            read(wrong)


def test_the_shipped_detector_finds_less_at_the_edge_and_says_so():
    bands = read_card(card_path(shipped_detector())).detection_bands()
    assert bands is not None
    assert [a for a, _ in bands] == sorted({a for a, _ in bands})
    assert bands[0][1] < 0.8 < bands[-1][1]


def test_plants_found_by_distance_from_the_edge(tmp_path):
    """A detector that sees nothing within 8 px of the edge: 1 of 3 there, all farther in."""
    card = read_card(card_path(shipped_detector()))
    logit = (np.log(0.9 / 0.1) - card.bias) * card.temperature
    places = [(1.0, 30.0), (6.0, 40.0), (50.0, 58.5), (20.0, 30.0), (50.0, 30.0), (70.0, 20.0)]
    labels = tuple(Label("a", u, v, 5.0, "daisy") for u, v in places)
    seen = np.array([p for p in places if p[0] >= 6 and p[1] < 55])

    def candidates(image, floor):
        n = len(seen)
        return Candidates(np.full(n, logit), *seen.T, np.full(n, 5.0), np.zeros((n, len(card.kinds))))

    stub = SimpleNamespace(card=card, candidates=candidates)
    sample = Sample("a", lambda: np.zeros((60, 100, 3), np.uint8), labels, "g")
    bands = found_by_edge(stub, [sample], TeachSettings())
    assert [(b.from_px, b.plants, b.found) for b in bands] == [(0, 2, 0), (4, 1, 1), (8, 3, 3), (32, 0, 0)]


def test_pictures_of_another_height_are_seen_as_those_taught_were(detector, scene):
    """The same picture at half and twice the size, and what a pixel covers: the same plants, at half and twice."""
    import cv2

    image, picture = scene
    taught = picture.metres_per_px
    card = dataclasses.replace(detector.card, metres_per_px=taught, crown_floor_px=2.0, crown_share=0.1)
    known = Detector(detector._engine, card)
    want = [d for d in known.find(image, "r/1") if d.probability > 0.6]
    assert len(want) >= 3
    for factor, how in ((0.5, cv2.INTER_AREA), (2.0, cv2.INTER_LINEAR)):
        other = cv2.resize(image, None, fx=factor, fy=factor, interpolation=how)
        found = known.at_sampling(taught / factor).find(other, "r/1")
        hits = 0
        for d in want:
            near = min(found, key=lambda f: np.hypot(f.u_px / factor - d.u_px, f.v_px / factor - d.v_px))
            if np.hypot(near.u_px / factor - d.u_px, near.v_px / factor - d.v_px) < 6:
                hits += 1
                assert near.radius_px == pytest.approx(factor * d.radius_px, rel=0.3)
                assert near.crown_sd_px == pytest.approx(np.hypot(2.0 * factor, 0.1 * near.radius_px))
        assert hits >= 0.8 * len(want)
        assert sum(d.crown_sd_px > 0 for d in want) == len(want)


@pytest.mark.parametrize(("here", "scale"), [(None, 0.5), (1e-3, 0.5), (1.1e-3, 0.5), (2e-3, 1.0), (0.5e-3, 0.25),
                                             (9e-3, 2.0), (1e-5, 0.1)])  # fmt: skip
def test_the_scale_follows_what_a_pixel_covers(detector, here, scale):
    card = dataclasses.replace(detector.card, metres_per_px=1e-3, scale=0.5)
    assert Detector(detector._engine, card).at_sampling(here)._scale == pytest.approx(scale)
    unknown = dataclasses.replace(card, metres_per_px=0.0)
    assert Detector(detector._engine, unknown).at_sampling(here)._scale == 0.5
