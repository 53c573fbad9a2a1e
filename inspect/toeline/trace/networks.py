"""The trained networks: what lies where in a photo, what is what along the straightened bead, and beside it.

They are small U-nets trained on rendered beads of our own making (demo_images/training), stored as ONNX in the
package and run on the CPU.
"""

from __future__ import annotations

import os
from collections.abc import Collection
from functools import cache
from importlib.resources import files
from typing import TYPE_CHECKING

import cv2
import numpy as np

from toeline.trace.band import F32, READERS, U8, BandReader

if TYPE_CHECKING:
    import onnxruntime as ort

_FOLD = 32  # the networks halve five times


@cache
def network(name: str) -> ort.InferenceSession:
    """The shipped network of this name, loaded once."""
    return load(str(files("toeline") / "data" / f"{name}.onnx"))


def load(path: str) -> ort.InferenceSession:
    """The network of an ONNX file, to run on the CPU."""
    # before it is loaded: else it reports its use to its maker, and keeps a number for this device (its Privacy.md)
    os.environ["ORT_DISABLE_TELEMETRY"] = "1"
    import onnxruntime as ort

    options = ort.SessionOptions()
    options.enable_cpu_mem_arena = False  # photos differ in size: an arena would keep the largest for ever
    options.add_session_config_entry("session.intra_op.allow_spinning", "0")  # other work waits for that core
    options.log_severity_level = 3
    threads = os.environ.get("OMP_NUM_THREADS", "")
    options.intra_op_num_threads = int(threads) if threads.isdecimal() else 0  # 0: as many as there are cores
    return ort.InferenceSession(path, options, ["CPUExecutionProvider"])


@cache
def channels(name: str) -> tuple[str, ...]:
    """What the outputs of a network ("finder", "plate" or one of :data:`READERS`) say, those at full size first, as its
    file states.

    The finder tells kinds of things apart; what the maps of the others mean stands in :mod:`~.band`.
    """
    return tuple(network(name).get_modelmeta().custom_metadata_map["channels"].split(","))


def _run(name: str, image: U8) -> tuple[F32, F32]:
    """Both outputs of a network, 0..1, (C, H, W) and (C, H/2, W/2), for a BGR picture (H, W, 3)."""
    h, w = image.shape[:2]
    padded = cv2.copyMakeBorder(image, 0, -h % _FOLD, 0, -w % _FOLD, cv2.BORDER_REPLICATE)
    tensor = np.ascontiguousarray(padded[None, :, :, ::-1].transpose(0, 3, 1, 2), np.float32)
    tensor *= np.float32(1 / 255)
    fine, coarse = network(name).run(None, {"image": tensor})
    return fine[0, :, :h, :w], coarse[0, :, : (h + 1) // 2, : (w + 1) // 2]


def see_kinds(image: U8, side_px: int) -> tuple[dict[str, F32], float]:
    """Where each kind of thing lies: maps (h, w) 0..1 over the photo made smaller, to ``side_px`` on its long side, and
    how many times smaller."""
    shrink = max(max(image.shape[:2]) / side_px, 1.0)
    h, w = (max(round(side / shrink), 8) for side in image.shape[:2])
    while min(image.shape[:2]) >= 2 * min(h, w):  # halving first is more than twice as quick at 12 megapixels
        even = image[: image.shape[0] // 2 * 2, : image.shape[1] // 2 * 2]
        image = np.asarray(cv2.resize(even, None, fx=0.5, fy=0.5, interpolation=cv2.INTER_AREA), np.uint8)
    fine, _ = _run("finder", np.asarray(cv2.resize(image, (w, h), interpolation=cv2.INTER_AREA), np.uint8))
    return dict(zip(channels("finder"), fine, strict=True)), shrink


def read_band(image: U8, names: Collection[str] | None = None, reader: BandReader = READERS[0]) -> dict[str, F32]:
    """The maps of a :class:`~.band.Band` (H, W) 0..1 over a straightened band (H, W, 3) at 10 px per mm, all of
    them or those of some ``names``."""
    return _maps(reader, image, names)


def read_plate(image: U8) -> dict[str, F32]:
    """The maps of spatter and arc strikes (H, W) 0..1 over a straightened view (H, W, 3) at 5 px per mm."""
    return _maps("plate", image)


def _maps(which: str, image: U8, names: Collection[str] | None = None) -> dict[str, F32]:
    """What a network says by the names of its outputs, at full size (H, W)."""
    fine, coarse = _run(which, image)
    h, w = image.shape[:2]
    layers = dict(zip(channels(which), [*fine, *coarse], strict=True))
    return {
        name: layers[name] if layers[name].shape == (h, w) else _doubled(layers[name], h, w)
        for name in (layers if names is None else names)
    }


def _doubled(layer: F32, h: int, w: int) -> F32:
    """A half-size map at full size; pixel (i, j) covers the four pixels (2i, 2j) .. (2i + 1, 2j + 1)."""
    up = cv2.resize(layer, (2 * layer.shape[1], 2 * layer.shape[0]), interpolation=cv2.INTER_LINEAR)
    return np.asarray(up[:h, :w], np.float32)
