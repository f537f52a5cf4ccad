"""Teaching from COCO pictures and from rendered scenes: what goes in, what is held apart, what is refused."""

import functools
import json
from dataclasses import replace

import cv2
import numpy as np
import PIL.Image
import pytest
from click.testing import CliRunner

from swardwright.domain.errors import InputError
from swardwright.domain.frame import Label
from swardwright.labels import LabelledPicture, LabelSet, read_coco
from swardwright.learning import load_detector
from swardwright.shell.command_line import main
from swardwright.shell.open_site import opened
from swardwright.shell.rendering import FIRST_SEED, PLAIN_SHARE, render_scene
from swardwright.shell.teach_samples import decoded, samples_from_labels, samples_of_site


@pytest.fixture
def pictures(tmp_path):
    """Sixteen grey pictures with a label each, one of them a speck."""
    images, annotations = [], []
    for n in range(16):
        name = f"day{n // 4}/IMG_{n:04d}.png"
        path = tmp_path / "pictures" / name
        path.parent.mkdir(parents=True, exist_ok=True)
        cv2.imwrite(str(path), np.full((64, 96, 3), 90, np.uint8))
        images.append({"id": n, "file_name": name, "width": 96, "height": 64})
        side = 2 if n == 5 else 20
        annotations.append({"id": n, "image_id": n, "category_id": 1, "bbox": [30, 20, side, side]})
    raw = {"images": images, "annotations": annotations, "categories": [{"id": 1, "name": "dock"}]}
    (tmp_path / "labels.json").write_text(json.dumps(raw))
    return tmp_path


def test_places_are_folders_or_blocks_and_specks_do_not_count(pictures):
    labels = read_coco(pictures / "labels.json")
    samples = samples_from_labels(labels, pictures / "pictures")
    assert sorted({s.group for s in samples}) == ["day0", "day1", "day2", "day3"]
    blocks = samples_from_labels(labels, pictures / "pictures", grouping="block")
    assert len({s.group for s in blocks}) == 8
    assert [s.group for s in blocks] == sorted(s.group for s in blocks)
    [speck] = [s for s in samples if not s.labels]
    assert len(speck.ignored) == 1
    assert samples[0].load().shape == (64, 96, 3)


def test_left_out_pictures_are_left_out_by_name_or_stem(pictures):
    labels = read_coco(pictures / "labels.json")
    out = frozenset({"IMG_0001", "day3/IMG_0013.png"})
    names = [s.name for s in samples_from_labels(labels, pictures / "pictures", exclude=out)]
    assert len(names) == 14
    assert not any("0001" in n or "0013" in n for n in names)
    with pytest.raises(InputError, match="not among"):
        samples_from_labels(labels, pictures / "pictures", exclude=frozenset({"IMG_9999"}))


@pytest.mark.parametrize("stated", [(48, 32), (32, 48)])
def test_a_turned_photograph_is_taken_as_it_was_labelled(tmp_path, stated):
    stored = np.zeros((32, 48, 3), np.uint8)
    stored[:, :24] = 255
    exif = PIL.Image.Exif()
    exif[0x0112] = 6  # to be turned a quarter clockwise: what was left is on top
    PIL.Image.fromarray(stored).save(tmp_path / "a.jpg", exif=exif, quality=98)
    [sample] = samples_from_labels(LabelSet(("dock",), (LabelledPicture("a.jpg", *stated, ()),)), tmp_path)
    image = sample.load()
    assert image.shape[:2] == stated[::-1]
    assert image[2, 2].min() > 200
    assert image[-3, -3].max() < 50
    assert (image[-3, 2].min() > 200) == (stated == (48, 32))


def test_missing_or_resized_pictures_are_named(pictures):
    labels = read_coco(pictures / "labels.json")
    cv2.imwrite(str(pictures / "pictures/day0/IMG_0000.png"), np.zeros((32, 48, 3), np.uint8))
    samples = samples_from_labels(labels, pictures / "pictures")
    with pytest.raises(InputError, match=r"IMG_0000\.png.*another size"):
        samples[0].load()
    (pictures / "pictures/day0/IMG_0001.png").write_bytes(b"not a picture")
    with pytest.raises(InputError, match="cannot be decoded"):
        samples[1].load()
    (pictures / "pictures/day0/IMG_0002.png").unlink()
    with pytest.raises(InputError, match="not there"):
        samples_from_labels(labels, pictures / "pictures")


def test_teaching_scenes_never_use_seeds_of_demo_or_tests():
    assert FIRST_SEED == 1_000_000
    for seed in (0, 42, 101, FIRST_SEED - 1):
        with pytest.raises(InputError, match="other seeds"):
            render_scene(seed, 1)


def test_a_scene_is_the_same_each_time_and_its_labels_lie_in_the_picture():
    one, two = render_scene(1_970_001, 2), render_scene(1_970_001, 2)
    assert [p.jpeg for p in one] == [p.jpeg for p in two]
    assert one[0].jpeg != one[1].jpeg
    for picture in one:
        assert decoded(picture.jpeg, picture.name).shape == (960, 1280, 3)
        assert 0.0007 <= picture.metres_per_px <= 0.0018
        for label in picture.labels:
            assert 0 <= label.u_px <= 1279
            assert 0 <= label.v_px <= 959
            assert label.radius_px * picture.metres_per_px < 0.1


def test_wide_scenes_are_repeatable_and_a_share_of_them_is_plain():
    one, two = (render_scene(1_970_003, 2, "wide") for _ in range(2))
    assert [(p.jpeg, p.labels, p.ignored) for p in one] == [(p.jpeg, p.labels, p.ignored) for p in two]
    plain = []
    for seed in range(1_970_000, 1_970_040):
        with pytest.MonkeyPatch.context() as patch:
            patch.setattr("swardwright.shell.rendering._plain_scene", lambda *_: plain.append(seed))  # noqa: B023
            patch.setattr("swardwright.shell.rendering._varied_scene", lambda *_: None)
            render_scene(seed, 1, "wide")
    assert PLAIN_SHARE == 0.25
    assert 3 <= len(plain) <= 18
    same = render_scene(plain[0], 1, "wide")
    assert [p.jpeg for p in same] == [p.jpeg for p in render_scene(plain[0], 1, "plain")]
    with pytest.raises(InputError, match="variety"):
        render_scene(FIRST_SEED, 1, "wider")


def test_specks_and_hidden_plants_of_wide_scenes_are_neither_plants_nor_ground():
    pictures = [p for seed in range(1_970_000, 1_970_012) for p in render_scene(seed, 2, "wide")]
    assert any(p.ignored for p in pictures)
    for p in pictures:
        places = {(lb.u_px, lb.v_px) for lb in p.labels}
        assert not places & {(lb.u_px, lb.v_px) for lb in p.ignored}
    assert any(lb.kind == "other" for p in pictures for lb in p.labels)


def test_command_refuses_before_anything_is_written(pictures):
    arguments = ["coco", str(pictures / "labels.json"), str(pictures / "pictures"), "--out", str(pictures / "m.onnx")]
    for extra, words in (
        (["--exclude", "@nowhere.txt"], "list of names"),
        (["--minutes", "-1"], "time limit"),
        (["--metres-per-px", "nan"], "sampling distance"),
        (["--steps", "0"], "out of range"),
        (["--device", "abacus"], "no such device"),
        (["--folds", "11"], "folds"),
        (["--start", "nowhere.pt"], "no such weight file"),
        (["--start", "shipped", "--network", "pretrained"], "small network"),
    ):
        result = CliRunner().invoke(main, ["teach", *arguments, *extra])
        assert result.exit_code == 2
        assert words in result.output
        assert "To mend it" in result.output
    assert not list(pictures.glob("m.*"))


@pytest.mark.parametrize(
    ("named", "steps", "minutes"),
    [
        ([], 5000, 8.0),
        (["--minutes", "30"], 1_000_000, 30.0),
        (["--steps", "70"], 70, None),
        (["--steps", "70", "--minutes", "1"], 70, 1.0),
    ],
)
def test_a_limit_named_alone_is_the_only_one(pictures, monkeypatch, named, steps, minutes):
    seen = []

    def note(labels, root, out, settings, **more):
        seen.append(settings)
        raise InputError("enough")

    monkeypatch.setattr("swardwright.shell.teaching.teach_from_coco", note)
    CliRunner().invoke(main, ["teach", "coco", str(pictures / "labels.json"), str(pictures), "--out", "m.onnx", *named])
    assert [(s.steps, s.minutes) for s in seen] == [(steps, minutes)]


QUICK = ["--steps", "2", "--batch", "2", "--crop-px", "64", "--json"]


def test_coco_teaches_from_the_shipped_weights_and_names_kinds_without_labels(pictures):
    pytest.importorskip("torch")
    raw = json.loads((pictures / "labels.json").read_text())
    raw["categories"].append({"id": 2, "name": "thistle"})
    (pictures / "labels.json").write_text(json.dumps(raw))
    arguments = ["coco", str(pictures / "labels.json"), str(pictures / "pictures"), "--out", str(pictures / "m.onnx")]
    result = CliRunner().invoke(main, ["teach", *arguments, *QUICK])
    assert result.exit_code == 0, result.output
    card = json.loads(result.stdout)["card"]
    assert card["data"]["kinds_without_labels"] == ["thistle"]
    assert card["data"]["start"] == "shipped"
    assert card["settings"]["threshold_by"] == "balance"
    priced = CliRunner().invoke(
        main, ["teach", *arguments, *QUICK, "--miss-price", "3", "--start", "none", "--folds", "2"]
    )
    card = json.loads(priced.stdout)["card"]
    assert (card["settings"]["threshold_by"], card["settings"]["miss_price"]) == ("cost", 3)
    assert (card["data"]["start"], card["data"]["held_out_by"]) == ("fresh", "folds")
    assert sorted(p.suffix for p in pictures.glob("m.*")) == [".json", ".onnx", ".pt"]


def test_rendered_teaches_from_nothing_unless_a_start_is_named(tmp_path, monkeypatch):
    pytest.importorskip("torch")
    scenes = {seed: render_scene(1_970_000 + seed, 1) for seed in range(3)}
    monkeypatch.setattr(
        "swardwright.shell.teaching.rendered_pictures",
        lambda seeds, *_: (p for seed in seeds for p in scenes[2 if seed >= FIRST_SEED + 50_000 else seed % 2]),
    )
    arguments = ["rendered", "--out", str(tmp_path / "m.onnx"), "--scenes", "2", "--held-out", "1", *QUICK]
    started = []
    for start in ([], ["--start", "shipped"], ["--start", str(tmp_path / "m.pt")]):
        result = CliRunner().invoke(main, ["teach", *arguments, *start])
        assert result.exit_code == 0, result.output
        started.append(json.loads(result.stdout)["card"]["data"]["start"])
    assert started == ["fresh", "shipped", "m.pt"]  # the name only: a card names no folder of this machine


def test_site_teaches_from_the_labels_in_its_database(own_site, pictures, call, refused):
    pytest.importorskip("torch")
    assert "no labels" in refused(own_site, "teach", "site", own_site)
    done = call("labels", "import", own_site, pictures / "labels.json", "--pictures", pictures / "pictures")
    assert done.exit_code == 0, done.stderr
    with opened(own_site) as at:
        assert len({s.group for s in samples_of_site(at)}) == 4  # four recordings, one a folder
        blocks = samples_of_site(at, places="block")
        assert len({s.group for s in blocks}) == 16
        assert sum(len(s.labels) for s in blocks) == 15  # one is a speck
    done = call("teach", "site", own_site, *QUICK)
    assert done.exit_code == 0, done.stderr
    told = json.loads(done.stdout)
    assert told["detector"] == str(own_site / "models" / "own.onnx")
    assert told["card"]["data"]["label_version"] == 1
    assert load_detector(own_site / "models" / "own.onnx").card.kinds == ("dock",)


def test_few_pictures_and_known_ground_start_from_the_shipped_weights_and_others_from_nothing(monkeypatch, capsys):
    from swardwright.learning import Sample, TeachSettings
    from swardwright.shell import teaching
    from swardwright.shell.teaching import FEW_PICTURES, KNOWN_F1, default_start

    judged = []

    def f1(samples, settings):
        judged.append([s.name for s in samples])
        return found

    monkeypatch.setattr(teaching, "shipped_f1", f1)
    label = Label("p", 50.0, 50.0, 10.0, "dandelion")
    labelled = [Sample(str(n), lambda: None, (label,), "a") for n in range(3 * FEW_PICTURES + 5)]
    bare = [Sample(f"b{n}", lambda: None, (), "a") for n in range(30)]
    few = labelled[: FEW_PICTURES - 1]
    assert default_start([*few, *bare], TeachSettings()) == "shipped"
    assert default_start(labelled, TeachSettings(network="pretrained")) == "none"
    assert judged == []
    found = KNOWN_F1
    assert default_start([*labelled, *bare], TeachSettings()) == "shipped"
    found = KNOWN_F1 - 0.01
    assert default_start([*labelled, *bare], TeachSettings()) == "none"
    assert judged == [[str(3 * n) for n in range(FEW_PICTURES)]] * 2  # spread over all that have labels
    assert "F1 0.49: teaching starts from nothing" in capsys.readouterr().err


def test_the_shipped_weights_know_rendered_plants_and_not_what_else_a_person_labels():
    from swardwright.learning import Sample, TeachSettings, shipped_f1
    from swardwright.shell.teaching import KNOWN_F1, decoded, rendered_pictures

    known = [
        Sample(p.name, functools.partial(decoded, p.jpeg, p.name), p.labels, p.scene, p.ignored, p.metres_per_px)
        for p in rendered_pictures(range(1_960_000, 1_960_004), 1, 1, "wide")
    ]
    assert any(s.labels for s in known)
    assert shipped_f1(known, TeachSettings()) > KNOWN_F1
    elsewhere = [replace(s, labels=tuple(replace(b, u_px=1279.0 - b.u_px) for b in s.labels)) for s in known]
    assert shipped_f1(elsewhere, TeachSettings()) < KNOWN_F1
