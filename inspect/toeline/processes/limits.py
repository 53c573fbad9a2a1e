"""Limits that the operating system keeps for this process, whatever a library in it does.

Linux keeps both, macOS the processor time, Windows neither: there a job is bounded by the checks before it alone.
"""

from __future__ import annotations

import ctypes
import os
import sys
import time
from pathlib import Path

_MUCH = 0.33  # a process that holds more than this share of what it may gives back what it has freed


def limit_memory(megabytes: float) -> None:
    """Let this process hold so much at most, what it holds now included; asking for more then fails as MemoryError. A
    later call counts anew."""
    if sys.platform != "linux":
        return
    import resource

    resident, data = _held()
    if resident > _MUCH * megabytes * 1_000_000:
        _give_back()
        resident, data = _held()
    # data counts what was asked for, much of it never touched: only what is added from now on is bounded
    room = max(int(megabytes * 1_000_000) - resident, 0)
    _limit(resource.RLIMIT_DATA, data + room)


def _held() -> tuple[int, int]:
    """Bytes that this process has in memory, and those that it has asked for."""
    pages = [int(word) for word in Path("/proc/self/statm").read_text("ascii").split()]
    size = os.sysconf("SC_PAGE_SIZE")
    return pages[1] * size, pages[5] * size


def _give_back() -> None:
    """Let the system have what this process has freed, which the C library keeps for later in pieces of all sizes."""
    trim = getattr(ctypes.CDLL(None), "malloc_trim", None)  # GNU's alone has it
    if trim is not None:
        trim(0)


def limit_processor_time(seconds: float) -> None:
    """Let this process compute so long from now on, all its threads together; then it is ended. A later call counts
    anew."""
    if sys.platform == "win32":
        return
    import resource

    _limit(resource.RLIMIT_CORE, 0)
    _limit(resource.RLIMIT_CPU, int(time.process_time() + seconds) + 1)


def _limit(what: int, most: int) -> None:
    """Limit this process, within what whoever started it allows it at most."""
    import resource

    _, hard = resource.getrlimit(what)
    resource.setrlimit(what, (most if hard == resource.RLIM_INFINITY else min(most, hard), hard))
