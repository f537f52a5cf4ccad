"""What computes, and that tiles, batches, threads and providers change nothing; nothing here needs PyTorch."""

import sys
from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from swardwright.domain.errors import InputError
from swardwright.domain.frame import Frame
from swardwright.learning import detect, load_detector, shipped_detector
from swardwright.learning.detector import Detector, read_detector
from swardwright.learning.runtime import CPU, TOLERANCE, Engine, open_session, providers

NAME, DATA, _ = read_detector(shipped_detector())


@pytest.fixture(scope="module")
def whole():
    return load_detector(shipped_detector(), threads=1)


@pytest.fixture(scope="module")
def tiled(whole):
    """The same network with two threads, in whatever tiles and batches."""
    engine = Engine(DATA, NAME, len(whole.card.kinds), threads=2)
    return lambda tile, batch: Detector(engine, whole.card, tile_px=tile, batch=batch)


@pytest.fixture(scope="module")
def ground():
    """One rendered picture of a teaching seed that no teaching used, twice as large as the camera gave it."""
    import cv2

    from swardwright.shell.teaching import decoded, render_scene

    picture = max(render_scene(1_950_002, 3), key=lambda p: len(p.labels))
    return np.asarray(cv2.resize(decoded(picture.jpeg, picture.name), None, fx=1.6, fy=1.6))


@settings(max_examples=12, deadline=None)
@given(
    size=st.tuples(st.integers(32, 1300), st.integers(32, 1500)),
    corner=st.tuples(st.integers(0, 50), st.integers(0, 50)),
    tile=st.integers(1, 12).map(lambda n: 32 * n), batch=st.integers(1, 5),
)  # fmt: skip
def test_no_size_tile_or_batch_changes_the_maps(whole, tiled, ground, size, corner, tile, batch):
    image = ground[corner[0] :, corner[1] :][: size[0], : size[1]]
    for a, b in zip(whole.maps(image), tiled(tile, batch).maps(image), strict=True):
        np.testing.assert_allclose(a, b, atol=TOLERANCE / 10, rtol=0)


def test_a_margin_below_the_reach_shows(whole, ground):
    engine = Engine(DATA, NAME, len(whole.card.kinds), threads=2)
    short = Detector(engine, replace(whole.card, margin_px=32), tile_px=64)
    image = ground[300:620, :1200]
    assert max(np.abs(a - b).max() for a, b in zip(whole.maps(image), short.maps(image), strict=True)) > TOLERANCE


def test_no_tile_changes_the_maps_of_a_pretrained_network():
    torch = pytest.importorskip("torch")
    pytest.importorskip("onnx")
    from swardwright.learning.card import REACH_PX
    from swardwright.learning.export import to_onnx
    from swardwright.learning.network import make_network

    torch.manual_seed(3)
    network = make_network("pretrained", 1)
    network.train()
    picture = torch.rand(2, 3, 128, 128) * 255
    for _ in range(3):
        network(picture)
    engine = Engine(to_onnx(network.eval()), "p", 1, threads=2)
    image = np.random.default_rng(1).integers(0, 256, (96, 1700, 3), dtype=np.uint8)
    card = SimpleNamespace(scale=1.0, margin_px=REACH_PX["pretrained"])
    least = SimpleNamespace(scale=1.0, margin_px=32)
    one, cut, short = (Detector(engine, c, tile_px=t).maps(image) for c, t in ((card, 1696), (card, 64), (least, 64)))
    worst = [max(float(np.abs(a - b).max()) for a, b in zip(one, other, strict=True)) for other in (cut, short)]
    assert worst[0] < TOLERANCE / 10
    assert worst[1] > 10 * worst[0]  # a margin that is too small shows


def test_the_same_plants_whatever_the_tiles_and_however_many_pictures_at_once(whole, tiled, ground):
    parts = [ground[y : y + 700, x : x + 900] for y in (0, 300) for x in (0, 400, 800)]
    pairs = [(Frame(f"r/{n}", "r", n, "t", (p.shape[1], p.shape[0])), p) for n, p in enumerate(parts)]
    alone = [whole.find(picture, frame.id) for frame, picture in pairs]
    assert sum(map(len, alone)) >= 8
    for detector in (whole, tiled(1280, 1), tiled(320, 4), tiled(1280, 4)):
        loaded = [(frame, (lambda p=p: p) if n % 2 else p) for n, (frame, p) in enumerate(pairs)]
        got = list(detect(iter(loaded), detector))
        assert [frame.id for frame, _ in got] == [frame.id for frame, _ in pairs]
        for (_, found), wanted in zip(got, alone, strict=True):
            assert [d.id for d in found] == [d.id for d in wanted]
            for a, b in zip(found, wanted, strict=True):
                assert (a.u_px, a.v_px, a.radius_px) == pytest.approx((b.u_px, b.v_px, b.radius_px), abs=0.02)
                assert a.probability == pytest.approx(b.probability, abs=1e-3)
                assert a.kind == b.kind


@pytest.mark.parametrize("threads", [1, 2])
def test_what_came_before_a_fault_is_given_out_first(threads):
    detector = load_detector(shipped_detector(), threads=threads)
    grey = np.full((64, 64, 3), 90, np.uint8)

    def pairs():
        for n in range(5):
            yield Frame(f"r/{n}", "r", n, "t", (64, 64)), grey
        raise InputError("the log ends here")

    seen = []
    with pytest.raises(InputError, match="ends here"):
        seen.extend(frame.id for frame, _ in detect(pairs(), detector))
    assert seen == [f"r/{n}" for n in range(5)]


def test_a_wrong_picture_is_named_by_its_frame(whole):
    pair = (Frame("r/7", "r", 0, "t", (9, 9)), np.zeros((9, 9, 3), np.uint8))
    with pytest.raises(InputError) as caught:
        list(detect([pair], whole))
    assert caught.value.where == "r/7"


@pytest.mark.parametrize(("given", "field"), [({"tile_px": 100}, "tile"), ({"tile_px": 0}, "tile"),
                                              ({"batch": 0}, "batch"), ({"batch": 10_000}, "batch"),
                                              ({"provider": "abacus"}, "provider")])  # fmt: skip
def test_wrong_settings_are_refused(given, field):
    with pytest.raises(InputError) as caught:
        load_detector(shipped_detector(), **given)
    assert caught.value.field == field
    assert caught.value.remedy


def test_no_service_elsewhere_is_ever_asked(monkeypatch):
    import onnxruntime

    there = ["AzureExecutionProvider", "CPUExecutionProvider"]
    monkeypatch.setattr(onnxruntime, "get_available_providers", lambda: there)
    assert providers() == (CPU,)
    with pytest.raises(InputError):
        load_detector(shipped_detector(), provider="azure")


class Accelerator:
    """Stands in for a device: the processor's session under another name, wrong by ``off`` or broken."""

    def __init__(self, session, *, off=0.0, lost=False, breaks=None):
        self._session, self._off, self._lost, self._breaks = session, off, lost, breaks
        self.runs = []

    def get_providers(self):
        return ["CPUExecutionProvider"] if self._lost else ["CUDAExecutionProvider", "CPUExecutionProvider"]

    def run(self, names, feed):
        self.runs.append(feed["pictures"].shape)
        if self._breaks and len(self.runs) > 1:
            raise RuntimeError(self._breaks)
        return [out + np.float32(self._off) for out in self._session.run(names, feed)]


@pytest.fixture
def device(monkeypatch):
    """Make the runtime report CUDA, and hand out what ``stands_in`` makes for it."""
    import onnxruntime

    from swardwright.learning import runtime

    there = ["TensorrtExecutionProvider", "CUDAExecutionProvider", "CPUExecutionProvider"]
    monkeypatch.setattr(onnxruntime, "get_available_providers", lambda: there)
    cpu = open_session(DATA, NAME, 5, 1)

    def stands_in(**how):
        made = Accelerator(cpu, **how)
        monkeypatch.setattr(runtime, "open_session", lambda *_, provider=CPU: cpu if provider == CPU else made)
        return made

    return stands_in


def test_a_device_that_agrees_is_taken_and_gets_stacks(device, ground):
    made = device()
    detector = load_detector(shipped_detector())
    assert (detector.provider, detector.batch) == ("cuda", 8)
    pairs = [(Frame(f"r/{n}", "r", n, "t", (64, 64)), ground[:64, :64]) for n in range(11)]
    assert [frame.id for frame, _ in detect(pairs, detector)] == [frame.id for frame, _ in pairs]
    assert sorted(shape[0] for shape in made.runs[1:]) == [3, 8]  # two stacks, side by side: which is first is luck
    assert load_detector(shipped_detector(), provider="CPUExecutionProvider").provider == CPU


@pytest.mark.parametrize("how", [{"off": 0.1}, {"off": float("nan")}, {"lost": True}])
def test_a_device_that_computes_otherwise_is_passed_over_and_refused_where_named(device, how):
    device(**how)
    assert load_detector(shipped_detector()).provider == CPU
    with pytest.raises(InputError) as caught:
        load_detector(shipped_detector(), provider="cuda")
    assert "cpu" in caught.value.remedy


@pytest.mark.parametrize(
    ("says", "wanted"),
    [("Failed to allocate memory for requested buffer of size 3221225472", "not enough memory"),
     ("CUDA failure 2: out of memory", "not enough memory"), ("bad_alloc", "not enough memory"),
     ("CUDA failure 719: unspecified launch failure", "cannot be run")],
)  # fmt: skip
def test_a_device_that_fails_is_told_in_one_sentence(device, ground, says, wanted):
    device(breaks=says)
    detector = load_detector(shipped_detector())
    with pytest.raises(InputError, match=wanted) as caught:
        detector.find(ground[:64, :64], "f")
    assert caught.value.remedy


@pytest.mark.slow
@pytest.mark.skipif(sys.platform != "linux", reason="memory is limited through Linux's resource limits")
def test_memory_that_truly_ends_is_told_and_smaller_tiles_help():
    """In a process of its own, whose memory ends 400 MB above what the loaded detector takes."""
    import subprocess

    script = """
import resource, numpy as np
from swardwright.domain.errors import InputError
from swardwright.learning import load_detector, shipped_detector
big = np.full((3000, 3000, 3), 90, np.uint8)
whole, tiled = (load_detector(shipped_detector(), threads=1, tile_px=t) for t in (9984, 320))
tiled.find(big[:64, :64], "f")
held = int(open("/proc/self/statm").read().split()[0]) * resource.getpagesize()
resource.setrlimit(resource.RLIMIT_AS, (held + 400_000_000,) * 2)
try:
    whole.find(big, "f")
except InputError as error:
    print("told:", error.sentence(), error.remedy)
print("found", len(tiled.find(big, "f")))
"""
    done = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, timeout=300, check=False)
    assert "told: " in done.stdout, done
    assert "there is not enough memory" in done.stdout, done
    assert "--tile" in done.stdout
    assert "found 0" in done.stdout, done
