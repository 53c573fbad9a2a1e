"""The processes that photos are read in, and who waits for which."""

from __future__ import annotations

import os

from toeline.processes.workers import Workers
from toeline_app import jobs

#: As many photos at once as there are cores; everyone else waits in line.
WORKERS = Workers(min(4, os.cpu_count() or 1), jobs.warm_up)
MOST_SIDES = 8
#: Several photos of one bead hold more, and take longer: whoever sends one photo waits behind none of them.
OF_SEVERAL = Workers(min(2, os.cpu_count() or 1), jobs.warm_up, at_once=1 + MOST_SIDES)


def start_measuring() -> None:
    """Start the worker processes now, so that the first photo need not wait for them."""
    WORKERS.start()
