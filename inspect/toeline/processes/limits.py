"""Limits that the operating system keeps for this process, whatever a library in it does.

Linux keeps both, macOS the processor time, Windows neither: there a job is bounded by the checks before it alone.
"""

from __future__ import annotations

import os
import sys
import time
from pathlib import Path


def limit_memory(megabytes: float) -> None:
    """Let this process hold so much at most, what it holds now included; asking for more then fails as MemoryError."""
    if sys.platform != "linux":
        return
    import resource

    _, resident, _, _, _, data, _ = (
        int(pages) * os.sysconf("SC_PAGE_SIZE") for pages in Path("/proc/self/statm").read_text("ascii").split()
    )
    # data counts what was asked for, much of it never touched: only what is added from now on is bounded
    room = max(int(megabytes * 1_000_000) - resident, 0)
    _limit(resource.RLIMIT_DATA, data + room)


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
