"""Teaching, exporting, calibrating and running the detector: ``detect(frames with pictures, detector)``.

Teaching needs PyTorch (the extra ``[learning]``); finding plants needs ONNX Runtime only.
"""

from __future__ import annotations

import os
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from swardwright.domain.errors import InputError
from swardwright.learning.card import ModelCard, card_path, read_card
from swardwright.learning.detector import Detector, detect, load_detector, shipped_detector
from swardwright.learning.judging import evaluate
from swardwright.learning.samples import Sample, TeachSettings


def teach(samples: Sequence[Sample], out: Path, settings: TeachSettings, **options: Any) -> ModelCard:
    """Teach a detector; see :func:`swardwright.learning.train.teach`.

    Raises
    ------
    InputError
        If PyTorch is not installed, or nothing can be taught.
    """
    _need_torch()
    from swardwright.learning.train import teach as run

    return run(samples, out, settings, **options)


def shipped_f1(samples: Sequence[Sample], settings: TeachSettings) -> float:
    """Return how well the shipped weights know such ground; see :func:`swardwright.learning.train.shipped_f1`."""
    _need_torch()
    from swardwright.learning.train import shipped_f1 as judged

    return judged(samples, settings)


def _need_torch() -> None:
    # threads that wait sleep: on a busy machine, spinning ones take four times the processor time (measured)
    os.environ.setdefault("OMP_WAIT_POLICY", "PASSIVE")
    try:
        import onnx  # noqa: F401
        import torch  # noqa: F401
    except ImportError as error:
        raise InputError("teaching needs PyTorch and onnx, which are not installed", value=error.name,
                         remedy="install the extra: pip install 'swardwright[learning]'") from error  # fmt: skip


__all__ = [
    "Detector",
    "ModelCard",
    "Sample",
    "TeachSettings",
    "card_path",
    "detect",
    "evaluate",
    "load_detector",
    "read_card",
    "shipped_detector",
    "shipped_f1",
    "teach",
]
