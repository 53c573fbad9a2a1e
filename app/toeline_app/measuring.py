"""Measuring in worker processes: as many at once as there are cores, everyone else waits in line."""

from __future__ import annotations

import os
import threading
from collections.abc import Callable
from concurrent.futures import Future, ProcessPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from multiprocessing import get_context, parent_process
from typing import ParamSpec, TypeVar

P = ParamSpec("P")
R = TypeVar("R")

#: A worker is replaced after this many photos, so that its memory cannot creep up.
PHOTOS_PER_WORKER = 60


def _begin(warm_up: Callable[[], None]) -> None:
    """A worker's first act: arrange to end with the app, however that ends, then load what it needs."""
    threading.Thread(target=_end_with_the_app, daemon=True).start()
    warm_up()


def _end_with_the_app() -> None:
    if (app := parent_process()) is not None:
        app.join()
        os._exit(0)


class Measuring:
    """A pool that outlives the death of a worker: the jobs it held fail, the next ones get a new pool."""

    def __init__(self, warm_up: Callable[[], None], workers: int | None = None) -> None:
        self._warm_up = warm_up
        self._workers = workers or min(4, os.cpu_count() or 1)
        self._lock = threading.Lock()
        self._pool: ProcessPoolExecutor | None = None

    def _new_pool(self) -> ProcessPoolExecutor:
        return ProcessPoolExecutor(
            self._workers,
            mp_context=get_context("spawn"),
            initializer=_begin,
            initargs=(self._warm_up,),
            max_tasks_per_child=PHOTOS_PER_WORKER,
        )

    def start(self) -> None:
        """Start every worker now; they load what they need while nothing is asked of them yet."""
        for _ in range(self._workers):
            self.submit(os.getpid)

    def submit(self, job: Callable[P, R], *args: P.args, **kwargs: P.kwargs) -> Future[R]:
        """Put a job in line."""
        with self._lock:
            self._pool = self._pool or self._new_pool()
            try:
                return self._pool.submit(job, *args, **kwargs)
            except BrokenProcessPool:
                self._pool.shutdown(wait=False)
                self._pool = self._new_pool()
                return self._pool.submit(job, *args, **kwargs)

    def stop(self) -> None:
        """End the workers."""
        with self._lock:
            if self._pool is not None:
                self._pool.shutdown(cancel_futures=True)
                self._pool = None
