"""Networks can be trained on from what the package ships. Needs the ``train`` extra."""

import sys
from pathlib import Path

import cv2
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
    photo = cv2.resize(
        cv2.imread(str(ROOT / "demo_images" / "arc_too_long.jpg")), (640, 480), interpolation=cv2.INTER_AREA
    )
    picture = np.ascontiguousarray(photo[None, :, :, ::-1].transpose(0, 3, 1, 2), np.float32) / 255
    net = TASKS[which].net()
    thaw(net, path, torch.from_numpy(picture))
    net.eval()
    with torch.no_grad():
        said = net(torch.from_numpy(picture))
    written = ort.InferenceSession(str(path)).run(None, {"image": picture})
    learned = 1 if which == "finder" else 2  # the finder has nothing coarse to say
    for ours, shipped in zip(said[:learned], written[:learned], strict=True):
        assert np.abs(ours.numpy() - shipped).mean() < 0.005  # what whole numbers of eight bits leave out
        assert np.quantile(np.abs(ours.numpy() - shipped), 0.999) < 0.2
