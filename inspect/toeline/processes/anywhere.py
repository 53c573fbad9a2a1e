"""One function over many items on any executor, nothing lost with a worker."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import FIRST_COMPLETED, Executor, Future, wait
from contextlib import ExitStack
from typing import TypeVar

from toeline.processes.workers import Workers

T = TypeVar("T")
R = TypeVar("R")

#: Jobs handed over at a time: enough for a large cluster, little enough for an archive of millions.
_IN_LINE = 1000


def as_done(
    function: Callable[[T], R],
    items: Iterable[T],
    executor: Executor | None = None,
    warm_up: Callable[[], object] | None = None,
    at_once: int = 1,
) -> Iterator[tuple[T, Future[R]]]:
    """Each item with its finished future, in the order in which they finish; ``items`` is drawn from as work goes on.

    Without ``executor`` all cores of this machine work, each process after a ``warm_up``. Where another executor
    cancels a job, breaks, or gives an error in place of an answer, the job is done again in a worker of this machine,
    one by one, and what that gives is final. ``at_once`` is how many photos one job may hold here.
    """
    source = iter(items)
    again: list[T] = []
    running: dict[Future[R], T] = {}
    with ExitStack() as stack:
        pool = stack.enter_context(Workers(warm_up=warm_up, at_once=at_once)) if executor is None else executor
        final = isinstance(pool, Workers)  # they have done again by themselves what is worth it
        stack.callback(_let_go, running, pool)
        broken = False
        while True:
            while not broken and len(running) < _IN_LINE:
                try:
                    item = next(source)
                except StopIteration:
                    break
                try:
                    running[pool.submit(function, item)] = item
                except RuntimeError:  # broken, or shut down
                    if final:
                        raise
                    again.append(item)
                    broken = True
            if not running:
                break
            for future in wait(running, return_when=FIRST_COMPLETED).done:
                item = running.pop(future)
                if not final and (future.cancelled() or future.exception() is not None):
                    again.append(item)
                else:
                    yield item, future
        if again or broken:
            alone = stack.enter_context(Workers(1, warm_up, at_once=at_once))
            for item in [*again, *source]:
                future = alone.submit(function, item)
                wait([future])
                yield item, future


def _let_go(running: dict[Future[R], T], pool: Executor) -> None:
    """End what was begun for a caller who has gone."""
    for future in running:
        if isinstance(pool, Workers):
            pool.abandon(future)
        else:
            future.cancel()
