"""Decode in a process of its own, which may crash, hang or swell without harm to the one that asked."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import tempfile
from dataclasses import astuple
from typing import IO

import numpy as np

from toeline.photo.decoder import Decoded, Exif, Kind, Limits, Refused

_PROGRAM = "from toeline.photo.decoder import main; main()"
#: What the process may hold beside the picture: Python, its libraries and the file itself.
_BESIDE_MB = 100.0


def decode_apart(data: bytes, kind: Kind, limits: Limits) -> Decoded:
    """As :func:`toeline.photo.decoder.decode`, in a process that is ended beyond its time or memory.

    The pixels come through a file that has no name, so that both processes never hold them at once.

    Raises:
        Refused: damaged, or beyond a limit.
    """
    beside = _BESIDE_MB + len(data) / 1e6
    words = [sys.executable, "-P", "-c", _PROGRAM, kind, json.dumps(astuple(limits)), str(beside)]
    path = os.pathsep.join(place for place in sys.path if place)
    with tempfile.TemporaryFile() as pixels:
        done = subprocess.run(
            words,
            input=data,
            stdout=pixels,
            stderr=subprocess.DEVNULL,
            env=os.environ | {"PYTHONPATH": path, "OPENBLAS_NUM_THREADS": "1", "OMP_NUM_THREADS": "1"},
            check=False,
        )
        if done.returncode == -getattr(signal, "SIGXCPU", 0):
            raise Refused("time")
        if done.returncode != 0:
            raise Refused("damaged")
        pixels.seek(0)
        return _read(pixels)


def _read(pixels: IO[bytes]) -> Decoded:
    said = json.loads(pixels.readline())
    if "refused" in said:
        raise Refused(*said["refused"])
    image = np.empty(said["shape"], np.uint8)
    if pixels.readinto(image.data) != image.nbytes:  # type: ignore[attr-defined]
        raise Refused("disk")
    return Decoded(image, Exif(**said["exif"]), said["orientation"])
