"""Networks can be trained on from what the package ships. Needs the ``train`` extra."""

import sys
from pathlib import Path

import numpy as np
import onnxruntime as ort
import pytest

torch = pytest.importorskip("torch", reason="needs the train extra")
pytest.importorskip("onnx", reason="needs the train extra")
ROOT = Path(__file__).resolve().parent.parent
sys.path.insert(0, str(ROOT / "demo_images"))


@pytest.mark.parametrize("which", ["finder", "reader", "plate"])
def test_a_network_thawed_says_what_its_file_says(which):
    """Against ONNX Runtime on the shipped file."""
    from training.thaw import thaw
    from training.train import TASKS

    path = ROOT / "inspect" / "toeline" / "data" / f"{which}.onnx"
    torch.manual_seed(1)
    net, picture = TASKS[which].net(), torch.rand(1, 3, 128, 160)
    thaw(net, path, torch.rand(2, 3, 256, 256))
    net.eval()
    with torch.no_grad():
        said = net(picture)
    for ours, shipped in zip(said, ort.InferenceSession(str(path)).run(None, {"image": picture.numpy()}), strict=True):
        np.testing.assert_allclose(ours.numpy(), shipped, atol=1e-4)
