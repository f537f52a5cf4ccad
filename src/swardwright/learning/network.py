"""The fully convolutional networks, their loss, and batch norm folded away for export. Needs PyTorch."""

from __future__ import annotations

from typing import Any

import torch
import torch.nn.functional as functional
from torch import Tensor, nn

from swardwright.learning.backbone import Backbone, Normed

#: pictures are padded to a multiple of this many pixels
MULTIPLE_PX = 32
#: channels of the feature pyramid
PYRAMID = 64


class Step(nn.Sequential):  # type: ignore[misc]
    """Convolution, batch norm, rectifier."""

    def __init__(self, into: int, out: int, *, stride: int = 1, dilation: int = 1) -> None:
        super().__init__(
            nn.Conv2d(into, out, 3, stride, padding=dilation, dilation=dilation, bias=False),
            nn.BatchNorm2d(out),
            nn.ReLU(inplace=True),
        )


class Context(nn.Module):  # type: ignore[misc]
    """A residual pair of convolutions at 16 pixels per cell, the first widened."""

    def __init__(self, channels: int, dilation: int) -> None:
        super().__init__()
        self.wide = Step(channels, channels, dilation=dilation)
        self.near = Step(channels, channels)

    def forward(self, x: Tensor) -> Tensor:
        """Return ``x`` plus what was found around it."""
        return x + self.near(self.wide(x))


class SmallNetwork(nn.Module):  # type: ignore[misc]
    """RGB picture to maps at 4 pixels per cell: heat (1), kinds (k), offset and log radius (3).

    About 0.9 M weights; 380 x 380 pixel receptive field at 1, 2 and 4 wide context steps.
    """

    def __init__(self, kinds: int) -> None:
        super().__init__()
        self.kinds = kinds
        self.second = Step(3, 16, stride=2)
        self.quarter = nn.Sequential(Step(16, 32, stride=2), Step(32, 32))
        self.eighth = nn.Sequential(Step(32, 64, stride=2), Step(64, 64), Step(64, 64))
        self.sixteenth = nn.Sequential(Step(64, 112, stride=2), Context(112, 1), Context(112, 2), Context(112, 3))
        self.up_eighth = nn.Conv2d(112, 64, 1)
        self.mix_eighth = Step(64, 64)
        self.up_quarter = nn.Conv2d(64, 32, 1)
        self.mix_quarter = Step(32, 48)
        self.out = nn.Conv2d(48, 4 + kinds, 1)
        nn.init.constant_(self.out.bias, 0.0)
        with torch.no_grad():
            self.out.bias[0] = -4.0

    def forward(self, pictures: Tensor) -> tuple[Tensor, Tensor, Tensor]:
        """Return heat logits (n, 1, h, w), kind logits (n, k, h, w) and shape (n, 3, h, w).

        Parameters
        ----------
        pictures : Tensor
            (n, 3, 4 h, 4 w), float, 0..255; sides multiples of 32.
        """
        x = (pictures - 110.0) / 60.0
        quarter = self.quarter(self.second(x))
        eighth = self.eighth(quarter)
        deep = self.sixteenth(eighth)
        eighth = self.mix_eighth(eighth + functional.interpolate(self.up_eighth(deep), scale_factor=2.0))
        quarter = self.mix_quarter(quarter + functional.interpolate(self.up_quarter(eighth), scale_factor=2.0))
        out = self.out(quarter)
        return out[:, :1], out[:, 4:], out[:, 1:4]


class PretrainedNetwork(nn.Module):  # type: ignore[misc]
    """The same maps from EfficientNet-Lite0's layers (Tan and Le 2019, arXiv:1905.11946) and a feature pyramid.

    About 4 M weights. Pyramid: Lin et al. 2017, arXiv:1612.03144, at 4, 8, 16 and 32 pixels per cell.
    """

    def __init__(self, kinds: int) -> None:
        super().__init__()
        self.kinds = kinds
        self.backbone = Backbone()
        self.across = nn.ModuleList([nn.Conv2d(channels, PYRAMID, 1) for channels in self.backbone.channels])
        self.mix = nn.ModuleList([Step(PYRAMID, PYRAMID) for _ in self.backbone.channels])
        self.last = Step(PYRAMID, PYRAMID)
        self.out = nn.Conv2d(PYRAMID, 4 + kinds, 1)
        nn.init.constant_(self.out.bias, 0.0)
        with torch.no_grad():
            self.out.bias[0] = -4.0

    def forward(self, pictures: Tensor) -> tuple[Tensor, Tensor, Tensor]:
        """Return maps as ``SmallNetwork.forward`` does."""
        level: Tensor | None = None
        found = self.backbone((pictures - 127.0) / 128.0)
        for across, mix, features in zip(reversed(self.across), reversed(self.mix), reversed(found), strict=True):
            here = across(features)
            level = mix(here if level is None else here + functional.interpolate(level, scale_factor=2.0))
        out = self.out(self.last(level))
        return out[:, :1], out[:, 4:], out[:, 1:4]


class ForExport(nn.Module):  # type: ignore[misc]
    """The network behind a ``uint8`` (n, height, width, 3) input, as the detector feeds it."""

    def __init__(self, network: nn.Module) -> None:
        super().__init__()
        self.network = network

    def forward(self, pictures: Tensor) -> tuple[Tensor, Tensor, Tensor]:
        """Return heat, kinds and shape maps."""
        heat, kinds, shape = self.network(pictures.permute(0, 3, 1, 2).to(torch.float32))
        return heat, kinds, shape


def folded(network: nn.Module) -> nn.Module:
    """Return a copy for inference whose batch norms are folded into the convolutions before them."""
    import copy

    from torch.nn.utils.fusion import fuse_conv_bn_eval

    plain = copy.deepcopy(network).eval()
    for step in [m for m in plain.modules() if isinstance(m, Step)]:
        step[0] = fuse_conv_bn_eval(step[0], step[1])
        step[1] = nn.Identity()
    for block in [m for m in plain.modules() if isinstance(m, Normed)]:
        block.convolution = fuse_conv_bn_eval(block.convolution, block.norm)
        block.norm = nn.Identity()
    result: nn.Module = plain
    return result


def make_network(name: str, kinds: int) -> nn.Module:
    """Return a fresh network by its name, ``small`` or ``pretrained`` (without its photographs' weights)."""
    return SmallNetwork(kinds) if name == "small" else PretrainedNetwork(kinds)


def loss(outputs: tuple[Tensor, Tensor, Tensor], wanted: dict[str, Any]) -> Tensor:
    """Return the loss of one batch.

    The heat's focal loss is eq. 1 of Zhou et al. 2019 (arXiv:1904.07850; alpha 2, beta 4), per crown; offset and log
    radius an absolute error and kind a cross entropy over the cells beside crowns.
    """
    heat, kinds, shape = (t.float() for t in outputs)
    target, weight = wanted["heat"], wanted["weight"]
    logit = heat[:, 0]
    p = torch.sigmoid(logit)
    log_p, log_not = functional.logsigmoid(logit), functional.logsigmoid(-logit)
    crown = target >= 1.0
    terms = torch.where(crown, (1 - p) ** 2 * log_p, (1 - target) ** 4 * p**2 * log_not)
    total = -(terms * weight).sum() / crown.sum().clamp(min=0.5 * len(heat))
    near = wanted["near"]
    if bool(near.any()):
        error = (shape - wanted["shape"]).abs().permute(0, 2, 3, 1)[near]
        total = total + error[:, :2].mean() * 2.0 + error[:, 2].mean()
        total = total + functional.cross_entropy(kinds.permute(0, 2, 3, 1)[near], wanted["kind"][near])
    return total
