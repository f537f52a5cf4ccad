"""Weight files of detectors, for teaching on from them, and checkpoints of interrupted runs. Needs PyTorch.

Both are read by :func:`torch.load` with ``weights_only``, which builds tensors and plain values and nothing else: a
file from anywhere cannot run code.
"""

from __future__ import annotations

import io
import os
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import torch
from torch import nn

from swardwright.domain.errors import InputError
from swardwright.learning.samples import NO_START, SHIPPED, TeachSettings

MAX_WEIGHT_BYTES = 500_000_000
#: outputs before the kinds: heat, offset x and y, log radius
FIXED_OUTPUTS = 4


def weight_path(model: Path) -> Path:
    """Return where the weights of a model file lie: same stem, ``.pt``."""
    return model.with_suffix(".pt")


def shipped_weights() -> Path:
    """Return the weights that teaching starts from: taught on invented ground of many sorts (decision 0005)."""
    return Path(__file__).parent / "models" / "wide.pt"


def start_path(start: Path | str | None, settings: TeachSettings) -> Path | None:
    """Return the weight file that a word or path means; None: fresh weights (or those from photographs).

    Raises
    ------
    InputError
        If the shipped weights are asked for a network of another make.
    """
    if start is None or start == NO_START:
        return None
    if start == SHIPPED:
        if settings.network != "small":
            raise InputError("the shipped weights are those of a small network", field="start", value=SHIPPED,
                             remedy="teach the small network, or start with 'none'")  # fmt: skip
        return shipped_weights()
    return Path(start)


def save_weights(path: Path, network: nn.Module, kinds: Sequence[str]) -> None:
    """Write the weights of a network with the names of its kinds, whole or not at all."""
    state = io.BytesIO()
    torch.save({"kinds": list(kinds), "weights": network.cpu().state_dict()}, state)
    replace(path, state.getvalue())


def load_matching(network: nn.Module, path: Path, kinds: Sequence[str] = ()) -> None:
    """Load the weights of an earlier run, whose kinds may differ: kinds of the same name keep theirs, others are fresh.

    Raises
    ------
    InputError
        If the file is missing, not a weight file, damaged, or of another network.
    """
    if not path.is_file():
        raise InputError("there is no such weight file", where=path.name,
                         remedy="name the .pt file of an earlier run, 'shipped' or 'none'")  # fmt: skip
    if path.stat().st_size > MAX_WEIGHT_BYTES:
        raise InputError("the weight file is too large", where=path.name, limit=f"{MAX_WEIGHT_BYTES} bytes")
    try:
        kept = torch.load(path, map_location="cpu", weights_only=True)
        weights = {k: v for k, v in kept["weights"].items() if isinstance(v, torch.Tensor)}
        known = [str(kind) for kind in kept["kinds"]]
    except Exception as error:
        raise InputError("the weight file is not readable", where=path.name,
                         remedy="name the .pt file of an earlier run") from error  # fmt: skip
    if not all(bool(torch.isfinite(v).all()) for v in weights.values() if v.is_floating_point()):
        raise InputError("the weight file holds numbers that are not finite", where=path.name,
                         remedy="name the .pt file of another run")  # fmt: skip
    own = network.state_dict()
    last = ("out.weight", "out.bias")
    fit = {k: v for k, v in weights.items() if k in own and k not in last and v.shape == own[k].shape}
    outputs = FIXED_OUTPUTS + len(known)
    alike = all(n in weights and weights[n].shape == (outputs, *own[n].shape[1:]) for n in last if n in own)
    if len(fit) < len(own) - len(last) or not alike:
        raise InputError("the weight file is of another network", where=path.name, value=f"{len(fit)} of {len(own)}",
                         remedy="choose the network that the file was taught with")  # fmt: skip
    rows = {i: i for i in range(FIXED_OUTPUTS)}
    rows |= {FIXED_OUTPUTS + i: FIXED_OUTPUTS + known.index(k) for i, k in enumerate(kinds) if k in known}
    for name in last:
        joined = own[name].clone()
        for to, source in rows.items():
            joined[to] = weights[name][source]
        fit[name] = joined
    network.load_state_dict({**own, **fit})


def checkpoint_path(out: Path, part: str = "") -> Path:
    """Return where an interrupted run (or one part of it) keeps its state."""
    return out.with_suffix(f".{part}.checkpoint" if part else ".checkpoint")


def write_checkpoint(path: Path, mark: str, values: Mapping[str, Any]) -> None:
    """Write the state of a run; ``mark`` says which run it belongs to."""
    file = io.BytesIO()
    torch.save({"mark": mark, **values}, file)
    path.parent.mkdir(parents=True, exist_ok=True)
    replace(path, file.getvalue())


def read_checkpoint(path: Path, mark: str) -> dict[str, Any] | None:
    """Return the checkpoint of the same run, None if it belongs to another run (it is then replaced).

    Raises
    ------
    InputError
        If the file is damaged.
    """
    try:
        kept = torch.load(path, map_location="cpu", weights_only=True)
    except Exception as error:
        raise InputError("the checkpoint of an interrupted run is not readable", where=path.name,
                         remedy="remove that file and teach again from the start") from error  # fmt: skip
    return kept if isinstance(kept, dict) and kept.get("mark") == mark else None


def replace(path: Path, data: bytes) -> None:
    """Write a file whole or not at all."""
    part = path.with_name(path.name + ".part")
    part.write_bytes(data)
    os.replace(part, path)
