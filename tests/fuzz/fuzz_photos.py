"""Reads many damaged files, each in a process of its own, and says whether one crashed, hung or swelled its reader.

    python tests/fuzz/fuzz_photos.py --count 100000 [--first 0]

Run by hand on Linux; a short run of it stands among the tests. Every reader is forked from this process, and so is the
decoding process for the formats that have one, both with the limits that they have in use: forking spares loading the
libraries a hundred thousand times.
"""

from __future__ import annotations

import argparse
import json
import os
import resource
import signal
import sys
import tempfile
import time
import traceback
from collections import Counter
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import IO

sys.path.insert(0, str(Path(__file__).resolve().parent))
from damaged_files import damaged, whole_files

from toeline.errors import PhotoError
from toeline.photo import apart, read_photo
from toeline.photo import photo as reading
from toeline.photo.decoder import Decoded, Kind, Limits, serve
from toeline.processes.figures import WorkerFigures

#: No reader may wait so long, whatever else the machine does, s.
_HANGS_S = 300
_READ, _REFUSED, _BUG = 0, 1, 2


@dataclass
class Tally:
    """What became of the files."""

    files: int = 0
    read: int = 0
    refused: int = 0
    largest_mb: float = 0.0
    longest_cpu_s: float = 0.0
    faults: list[str] = field(default_factory=list)
    formats: Counter[str] = field(default_factory=Counter)


def decode_forked(data: bytes, kind: Kind, limits: Limits) -> Decoded:
    """As ``decode_apart``, from libraries that are loaded already."""
    with tempfile.TemporaryFile() as pixels:
        child = os.fork()
        if child == 0:
            os.dup2(os.open(os.devnull, os.O_WRONLY), 2)
            with open(pixels.fileno(), "wb", closefd=False) as out:
                serve(data, kind, limits, apart.beside_mb(data), out)
            os._exit(0)
        _, status, used = os.wait4(child, 0)
        _note(used)
        return apart.answer(os.waitstatus_to_exitcode(status), pixels)


_notes: IO[str] | None = None


def _note(used: resource.struct_rusage) -> None:
    if _notes is not None:
        _notes.write(json.dumps([used.ru_maxrss / 1024 * 1.048576, used.ru_utime + used.ru_stime]) + "\n")
        _notes.flush()


def read_apart(data: bytes) -> tuple[int, float, float]:
    """Exit status, most memory (MB) and processor time (s) of reading one file, its decoder's included."""
    global _notes
    with tempfile.TemporaryFile("w+") as notes:
        child = os.fork()
        if child == 0:
            _notes = notes
            signal.alarm(_HANGS_S)
            os._exit(_read(data))
        _, status, used = os.wait4(child, 0)
        notes.seek(0)
        below = [json.loads(line) for line in notes]
    most = max([used.ru_maxrss / 1024 * 1.048576, *(mb for mb, _ in below)])
    return os.waitstatus_to_exitcode(status), most, used.ru_utime + used.ru_stime


def _read(data: bytes) -> int:
    os.dup2(os.open(os.devnull, os.O_WRONLY), 1)
    try:
        photo = read_photo(data, "file")
    except PhotoError as error:
        return _REFUSED if str(error).endswith(".") and str(error).count("\n") == 0 else _BUG
    except BaseException:
        traceback.print_exc()
        return _BUG
    return _READ if photo.image.ndim == 3 and photo.image.shape[2] == 3 else _BUG


def fuzz(numbers: range) -> Tally:
    """Read these files of the row."""
    reading.decode_apart = decode_forked  # type: ignore[assignment]
    limits = WorkerFigures.read()
    tally = Tally()
    for number in numbers:
        name, data = damaged(number)
        code, most_mb, cpu_s = read_apart(data)
        tally.files += 1
        tally.formats[name] += 1
        tally.read += code == _READ
        tally.refused += code == _REFUSED
        tally.largest_mb, tally.longest_cpu_s = max(tally.largest_mb, most_mb), max(tally.longest_cpu_s, cpu_s)
        if code not in (_READ, _REFUSED):
            tally.faults.append(f"{number} ({name}): reader ended with {code}")
        elif most_mb > limits.max_mb:
            tally.faults.append(f"{number} ({name}): {most_mb:.0f} MB")
        elif cpu_s > limits.seconds:
            tally.faults.append(f"{number} ({name}): {cpu_s:.1f} s")
    return tally


def main() -> None:
    """Fuzz in chunks, one line a chunk."""
    words = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    words.add_argument("--count", type=int, default=100_000)
    words.add_argument("--first", type=int, default=0)
    said = words.parse_args()
    import pi_heif  # once, for all that are forked
    import simplejpeg  # noqa: F401

    pi_heif.register_heif_opener()
    began, step, faults = time.monotonic(), 1000, 0
    print(f"{len(whole_files())} kinds of file, toeline on {os.uname().machine}, {os.cpu_count()} cores")
    for first in range(said.first, said.first + said.count, step):
        tally = fuzz(range(first, min(first + step, said.first + said.count)))
        faults += len(tally.faults)
        line = {k: v for k, v in asdict(tally).items() if k != "formats"}
        print(f"{first} {time.monotonic() - began:.0f} s {json.dumps(line)}", flush=True)
    sys.exit(1 if faults else 0)


if __name__ == "__main__":
    main()
