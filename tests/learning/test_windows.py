"""How large pictures are cut: pure geometry, and the reach of the networks that it rests on."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from swardwright.learning.augment import OUTSIDE
from swardwright.learning.card import REACH_PX
from swardwright.learning.windows import cut, windows

SIDES = st.integers(32, 3000)
MULTIPLES = st.integers(1, 24).map(lambda n: 32 * n)


@given(height=SIDES, width=SIDES, tile=MULTIPLES, margin=st.integers(0, 12).map(lambda n: 32 * n))
def test_windows_give_out_every_pixel_once_and_far_enough_from_their_cuts(height, width, tile, margin):
    given_out = np.zeros((height, width), np.uint8)
    found = windows(height, width, tile, margin)
    assert len({(w.height, w.width) for w in found}) == 1
    for w in found:
        (top, bottom), (left, right) = w.rows, w.columns
        given_out[top:bottom, left:right] += 1
        assert all(v % 32 == 0 for v in (w.top, w.left, w.height, w.width, top, left))
        for begin, size, low, high, length in (
            (w.top, w.height, top, bottom, height), (w.left, w.width, left, right, width)
        ):  # fmt: skip
            assert size <= tile + 2 * margin
            assert low < high
            assert low - begin >= margin or begin == 0
            assert begin + size - high >= margin or high == length
            assert begin + size <= -(-length // 32) * 32
    assert (given_out == 1).all()


@given(length=st.integers(32, 5000), tile=MULTIPLES)
def test_there_are_no_more_windows_than_the_length_needs(length, tile):
    margin = 224
    count, whole = len(windows(length, 32, tile, margin)), -(-length // 32) * 32
    fewest = 1
    while whole > fewest * (tile + 2 * margin) - 2 * margin * (fewest - 1):  # neighbours share two margins
        fewest += 1
    assert count == fewest


def test_what_lies_outside_the_picture_is_grey():
    image = np.arange(40 * 70 * 3, dtype=np.uint32).astype(np.uint8).reshape(40, 70, 3)
    [window] = windows(40, 70, 640, 224)
    seen = cut(image, window)
    assert seen.shape == (64, 96, 3)
    np.testing.assert_array_equal(seen[:40, :70], image)
    assert (seen[40:] == OUTSIDE).all()
    assert (seen[:, 70:] == OUTSIDE).all()
    assert np.shares_memory(cut(image[:32, :64], windows(32, 64, 640, 224)[0]), image)  # nothing is copied


@pytest.mark.parametrize(("name", "side"), [("small", 1024), pytest.param("pretrained", 2048, marks=pytest.mark.slow)])
def test_the_margin_is_the_reach_of_the_network(name, side):
    """Made linear with weights above 0, a network's gradient is nowhere 0 within its reach, and 0 beyond."""
    torch = pytest.importorskip("torch")
    from swardwright.learning.network import make_network

    network = make_network(name, 1)
    for module in network.modules():
        if isinstance(module, torch.nn.Conv2d):
            torch.nn.init.constant_(module.weight, 1.0 / module.weight[0].numel())
        for part, child in list(module.named_children()):
            if isinstance(child, torch.nn.ReLU):
                setattr(module, part, torch.nn.Identity())
    network.eval().double()
    farthest = 0
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(torch.nn.functional, "relu6", lambda x: x)
        for phase in range(8):  # the cells of one block of 32 px do not see equally far
            picture = torch.full((1, 3, side, 32), 100.0, dtype=torch.double, requires_grad=True)
            cell = side // 8 + phase
            heat = network(picture)[0]
            seen = torch.autograd.grad(heat[0, 0, cell, 4], picture)[0].abs().sum((0, 1, 3)).nonzero().flatten()
            farthest = max(farthest, 4 * cell - int(seen[0]), int(seen[-1]) - (4 * cell + 3))
    assert farthest <= REACH_PX[name] < farthest + 32
