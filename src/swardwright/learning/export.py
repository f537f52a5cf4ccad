"""Network to ONNX: batch norms folded, sizes free, checked against PyTorch. Needs PyTorch and onnx."""

from __future__ import annotations

import io
import warnings
from typing import Any

import numpy as np
import torch
from torch import nn

from swardwright.domain.errors import SwardwrightError
from swardwright.learning.network import ForExport, folded
from swardwright.learning.runtime import TOLERANCE, open_session

OPSET = 17


class ExportError(SwardwrightError):
    """The exported file does not compute what the network computes."""

    exit_status = 1


def to_onnx(network: nn.Module) -> bytes:
    """Return the ONNX file of a network (opset 17; any height and width that are multiples of 32).

    Raises
    ------
    ExportError
        If ONNX Runtime and PyTorch differ by more than ``TOLERANCE``.
    """
    module = ForExport(folded(network.cpu().float())).eval()
    file = io.BytesIO()
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        torch.onnx.export(
            module,
            (torch.zeros(1, 64, 96, 3, dtype=torch.uint8),),
            file,
            opset_version=OPSET,
            input_names=["pictures"],
            output_names=["heat", "kinds", "shape"],
            dynamic_axes={
                "pictures": {0: "n", 1: "height", 2: "width"},
                **{name: {0: "n", 2: "h", 3: "w"} for name in ("heat", "kinds", "shape")},
            },
            dynamo=False,
        )
    data = file.getvalue()
    worst = difference(network, data)
    if worst > TOLERANCE:
        raise ExportError("the exported detector differs from the taught one", value=f"{worst:.2g}",
                          limit=f"{TOLERANCE:g}", remedy="report this with the versions of torch and onnx")  # fmt: skip
    return data


def difference(network: nn.Module, data: bytes, *, seed: int = 0) -> float:
    """Return the largest difference of outputs between an ONNX file and the (unfolded) network on two sizes."""
    session = open_session(data, "export", network.kinds, 2)
    rng = np.random.default_rng(seed)
    network = network.cpu().float().eval()
    worst = 0.0
    for size in ((96, 160), (224, 64)):
        picture = rng.integers(0, 256, (1, *size, 3), dtype=np.uint8)
        with torch.no_grad():
            wanted: Any = network(torch.from_numpy(picture).permute(0, 3, 1, 2).float())
        got = session.run(["heat", "kinds", "shape"], {"pictures": picture})
        worst = max(worst, *(float(np.abs(g - w.numpy()).max()) for g, w in zip(got, wanted, strict=True)))
    return worst
