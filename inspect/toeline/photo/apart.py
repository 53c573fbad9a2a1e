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

from toeline.photo.decoder import NO_ROOM, Decoded, Exif, Kind, Limits, Refused

_PROGRAM = "from toeline.photo.decoder import main; main()"
#: Python, its libraries and their buffers.
_BESIDE_MB = 100.0


def decode_apart(data: bytes, kind: Kind, limits: Limits) -> Decoded:
    """As :func:`toeline.photo.decoder.decode`, in a process that is ended beyond its time or memory.

    The pixels come through a file that has no name, so that both processes never hold them at once.

    Raises:
        Refused: damaged, or beyond a limit.
    """
    words = [sys.executable, "-P", "-c", _PROGRAM, kind, json.dumps(astuple(limits)), str(beside_mb(data))]
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
        return answer(done.returncode, pixels)


def beside_mb(data: bytes) -> float:
    """What a decoding process may hold beside the picture."""
    return _BESIDE_MB + len(data) / 1e6


def answer(exit_code: int, pixels: IO[bytes]) -> Decoded:
    """What a decoding process wrote, or why it ended without.

    Raises:
        Refused: damaged, or beyond a limit.
    """
    if exit_code == -getattr(signal, "SIGXCPU", 0):
        raise Refused("time")
    if exit_code == NO_ROOM:
        raise Refused("disk")
    if exit_code != 0:
        raise Refused("damaged")
    pixels.seek(0)
    said = json.loads(pixels.readline() or b'{"refused": ["disk"]}')
    if "refused" in said:
        raise Refused(*said["refused"])
    image = np.empty(said["shape"], np.uint8)
    if pixels.readinto(image.data) != image.nbytes:  # type: ignore[attr-defined]
        raise Refused("disk")
    return Decoded(image, Exif(**said["exif"]), said["orientation"])
