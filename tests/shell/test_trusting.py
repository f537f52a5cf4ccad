"""The command ``trust`` by its words: what it says, draws, refuses and adopts. Pictures are rendered ground."""

import json
import shutil
from pathlib import Path

import cv2
import pytest
from tests.shell.conftest import run_command

from swardwright.learning import load_detector, shipped_detector
from swardwright.learning.card import read_card
from swardwright.learning.taught import picture_mark
from swardwright.shell.rendering import render_scene
from swardwright.shell.teaching import decoded

SCALE = "0.0012"


@pytest.fixture(scope="module")
def labelled(tmp_path_factory):
    """Two places of two pictures each, with COCO boxes around the true crowns."""
    folder = tmp_path_factory.mktemp("trust")
    images, boxes, kinds = [], [], []
    for seed in (1_095_000, 1_095_001):
        for p in render_scene(seed, 2):
            path = folder / "pictures" / p.scene / f"{p.name}.jpg"
            path.parent.mkdir(parents=True, exist_ok=True)
            path.write_bytes(p.jpeg)
            images.append({"id": len(images) + 1, "file_name": f"{p.scene}/{p.name}.jpg", "width": 1280, "height": 960})
            for b in p.labels:
                kinds += [b.kind] if b.kind not in kinds else []
                r = b.radius_px
                boxes.append(
                    {
                        "id": len(boxes) + 1,
                        "image_id": len(images),
                        "category_id": kinds.index(b.kind) + 1,
                        "bbox": [b.u_px - r, b.v_px - r, 2 * r, 2 * r],
                        "area": 4 * r * r,
                        "iscrowd": 0,
                    }
                )
    raw = {
        "images": images,
        "annotations": boxes,
        "categories": [{"id": i + 1, "name": k} for i, k in enumerate(kinds)],
    }
    (folder / "labels.json").write_text(json.dumps(raw))
    return folder


def trust(labelled, *more):
    return run_command("trust", labelled / "labels.json", labelled / "pictures", "--places", "folder", *more)


def test_it_says_what_it_misses_and_wrongly_burns_and_draws_it(labelled, tmp_path):
    got = trust(labelled, "--metres-per-px", SCALE, "--spare", "daisy", "--out", tmp_path / "out")
    assert got.exit_code == 0, got.output
    for words in ("per m2: it will miss", "wrongly burn", "on plants to spare", "95 %", "threshold", "Next:",
                  "never a safety function", "Not enough pictures to say", "only 2 places of 5"):  # fmt: skip
        assert words in got.stdout
    for name in ("trust.png", "trust-mistakes.png"):
        assert (tmp_path / "out" / name).read_bytes()[:4] == b"\x89PNG"
    kept = json.loads((tmp_path / "out" / "trust.json").read_text())
    assert kept["places"] == 2
    assert kept["verdict"] == "not enough pictures to say"
    rate = kept["as_is"]["missed"]
    assert 0 <= rate["low"] <= rate["value"] <= rate["high"]
    assert kept["area_m2"] == pytest.approx(4 * 1280 * 960 * float(SCALE) ** 2)
    treated = kept["as_is"]["treated"]["value"]
    assert rate["value"] * kept["area_m2"] == pytest.approx((1 - treated) * kept["to_treat"])


def test_json_and_pictures_without_scale(labelled):
    got = trust(labelled, "--json")
    data = json.loads(got.stdout)
    assert got.exit_code == 0
    assert data["per_m2"] is False
    assert data["area_m2"] is None
    assert any("ground" in r for r in data["reasons"])


def test_pictures_that_were_taught_are_left_out_or_said_loudly(labelled, tmp_path):
    model = tmp_path / "mine.onnx"
    shutil.copy(shipped_detector(), model)
    card = json.loads(shipped_detector().with_suffix(".json").read_text())
    paths = sorted((labelled / "pictures").rglob("*.jpg"))
    marks = [picture_mark(decoded(p.read_bytes(), p.name)) for p in paths]

    def with_marks(n):
        card["data"] = {"taught_marks": marks[:n], "held_marks": marks[n : n + 1]}
        model.with_suffix(".json").write_text(json.dumps(card))
        return trust(labelled, "--detector", model, "--metres-per-px", SCALE)

    got = with_marks(2)
    assert got.exit_code == 0, got.output
    assert "CAUTION: 2 of 4 pictures were taught on and are left out" in got.stdout
    assert "chose the threshold" in got.stdout
    assert "Judged on 2 pictures" in got.stdout
    got = with_marks(4)
    assert got.exit_code == 2
    assert "taught on every labelled picture" in got.stderr
    got = trust(labelled, "--detector", model, "--metres-per-px", SCALE, "--taught-too")
    assert got.exit_code == 0
    assert "CAUTION: 4 of these pictures were taught on" in got.stdout
    card["data"] = {}
    model.with_suffix(".json").write_text(json.dumps(card))
    got = trust(labelled, "--detector", model, "--metres-per-px", SCALE)
    assert "does not say which pictures it was taught on" in got.stdout


def test_pictures_of_taught_ground_are_left_out_by_name_and_it_is_said_how_much_they_flatter(labelled, tmp_path):
    """One picture of the first place is cut into two that overlap; one of the two was taught."""
    raw = json.loads((labelled / "labels.json").read_text())
    whole = raw["images"][0]
    image = cv2.imread(str(labelled / "pictures" / whole["file_name"]))
    others = [dict(i) for i in raw["images"][2:]]
    images, boxes = [], [b for b in raw["annotations"] if b["image_id"] > 2]
    for number, x0 in enumerate((0, 320), start=11):
        name = f"cut/{number}.png"
        (tmp_path / "cut").mkdir(exist_ok=True)
        cv2.imwrite(str(tmp_path / name), image[:, x0 : x0 + 960])
        images.append({"id": number, "file_name": name, "width": 960, "height": 960})
        for b in (b for b in raw["annotations"] if b["image_id"] == whole["id"]):
            x, y, w, h = b["bbox"]
            if 0 <= x + w / 2 - x0 < 960:
                boxes.append(b | {"id": 1000 + len(boxes), "image_id": number, "bbox": [x - x0, y, w, h]})
    for other in others:
        shutil.copy(labelled / "pictures" / other["file_name"], tmp_path / "cut" / Path(other["file_name"]).name)
        other["file_name"] = f"cut/{Path(other['file_name']).name}"
    (tmp_path / "labels.json").write_text(json.dumps(raw | {"images": images + others, "annotations": boxes}))
    model = tmp_path / "mine.onnx"
    shutil.copy(shipped_detector(), model)
    card = json.loads(shipped_detector().with_suffix(".json").read_text())
    card["data"] = {"taught_marks": [picture_mark(decoded((tmp_path / "cut/11.png").read_bytes(), "11"))]}
    model.with_suffix(".json").write_text(json.dumps(card))
    words = ("trust", tmp_path / "labels.json", tmp_path, "--detector", model, "--metres-per-px", SCALE)
    got = run_command(*words)
    assert got.exit_code == 0, got.output
    assert "CAUTION: 1 more show ground that was taught and are left out: cut/11.png and cut/12.png (6" in got.stdout
    assert "Judged on 2 pictures" in got.stdout
    assert "a split by chance would flatter by" in got.stdout
    data = json.loads(run_command(*words, "--json").stdout)
    told = data["optimism"]
    assert told["gap"]["value"] == pytest.approx(told["taught_ground"]["value"] - told["new_ground"]["value"])
    assert (told["taught_ground"]["places"], told["new_ground"]["places"]) == (1, 2)
    assert json.loads(run_command(*words, "--json", "--taught-too").stdout)["optimism"] is None


def test_an_adopted_card_is_read_by_the_detector(labelled, tmp_path):
    got = trust(labelled, "--metres-per-px", SCALE, "--out", tmp_path, "--adopt", "--json")
    assert got.exit_code == 0, got.output
    data = json.loads(got.stdout)
    new = tmp_path / f"{shipped_detector().stem}-judged.onnx"
    card = load_detector(new).card
    assert card.threshold == pytest.approx(data["threshold"], abs=1e-4)
    assert card.temperature == pytest.approx(data["temperature"], abs=1e-5)
    noted = card.data["trust"]["false_alarms_m2"]
    assert card.false_alarms_m2 == pytest.approx(noted["value"], abs=1e-5)
    assert noted["low"] <= noted["value"] <= noted["high"]
    again = trust(labelled, "--metres-per-px", SCALE, "--detector", new)
    assert "4 of these pictures chose the threshold" in again.stdout


def test_nothing_is_adopted_where_burning_nothing_costs_least(labelled, tmp_path):
    got = trust(labelled, "--metres-per-px", SCALE, "--out", tmp_path, "--adopt", "--miss-price", "0.001")
    assert got.exit_code == 0, got.output
    assert "Nothing was adopted" in got.stdout
    assert "Least expected cost: burning nothing" in got.stdout
    assert not list(tmp_path.glob("*.onnx"))


def test_a_site_judges_its_own_labels_and_adopts_the_result(labelled, tmp_path):
    site = tmp_path / "green"
    assert run_command("init", site, "--invented").exit_code == 0
    bare = run_command("trust", site)
    assert bare.exit_code == 2
    assert "label" in bare.stderr
    got = run_command("labels", "import", site, labelled / "labels.json", "--pictures", labelled / "pictures")
    assert got.exit_code == 0, got.output
    got = run_command("trust", site, "--places", "picture")
    assert got.exit_code == 2
    assert "recording is a place" in got.stderr
    got = run_command("trust", site, "--miss-price", "3")
    assert got.exit_code == 2
    assert "site.toml" in got.stderr
    got = run_command("trust", site, "--metres-per-px", SCALE, "--adopt")
    assert got.exit_code == 0, got.output
    assert "gas and minutes" in got.stdout
    assert (site / "reports" / "trust.png").exists()
    toml = (site / "site.toml").read_text()
    assert 'model = "models/turf-judged.onnx"' in toml
    assert read_card(site / "models" / "turf-judged.json").data["trust"]["pictures"] == 4
    assert list(site.glob("site.*.kept.toml"))
    assert run_command("status", site).exit_code == 0


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (("--spare", "moss"), "does not know a kind to spare"),
        (("--within", "5 m"), "1 mm to 1 m"),
        (("--metres-per-px", "3"), "sampling distance"),
        (("--adopt",), "needs a folder"),
        (("--detector", "NOT"), "detector"),
        (("--runs", "CARD"), "three different numbers"),
    ],
)
def test_mistakes_are_told_in_one_sentence(labelled, tmp_path, words, told):
    (tmp_path / "corrupt.onnx").write_bytes(b"no network")
    shutil.copy(shipped_detector().with_suffix(".json"), tmp_path / "corrupt.json")
    swap = {"NOT": tmp_path / "corrupt.onnx", "CARD": shipped_detector().with_suffix(".json")}
    got = trust(labelled, *(swap.get(w, w) for w in words))
    assert got.exit_code == 2, got.output
    assert told in got.stderr
    assert "To mend it" in got.stderr
    assert "Traceback" not in got.stderr


def test_no_labels_and_unknown_kinds(labelled, tmp_path):
    raw = json.loads((labelled / "labels.json").read_text())
    none = tmp_path / "none.json"
    none.write_text(json.dumps({**raw, "annotations": []}))
    got = run_command("trust", none, labelled / "pictures")
    assert got.exit_code == 2
    assert "no labelled plant" in got.stderr
    odd = tmp_path / "odd.json"
    odd.write_text(json.dumps({**raw, "categories": [{**c, "name": f"weed {c['id']}"} for c in raw["categories"]]}))
    got = run_command("trust", odd, labelled / "pictures", "--metres-per-px", SCALE)
    assert got.exit_code == 2
    assert "--any-kind" in got.stderr
    got = run_command("trust", odd, labelled / "pictures", "--metres-per-px", SCALE, "--any-kind")
    assert got.exit_code == 0, got.output
    got = run_command("trust", odd)
    assert got.exit_code == 2
    assert "folder of its pictures" in got.stderr
