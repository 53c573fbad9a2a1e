"""Processes that do one job at a time, each within a limit of memory and of processor time.

A job that crashes its process, swells or never ends costs only itself: every other job goes on undisturbed.
"""

from __future__ import annotations

import os
import signal
import sys
import threading
import traceback
from collections import deque
from collections.abc import Callable, Iterator
from concurrent.futures import Executor, Future
from contextlib import contextmanager
from dataclasses import dataclass, field
from multiprocessing import get_context, parent_process
from multiprocessing.connection import Connection
from multiprocessing.context import SpawnProcess
from types import ModuleType, TracebackType
from typing import Any, ParamSpec, TypeVar

from toeline.errors import JobEnded
from toeline.processes.figures import WorkerFigures
from toeline.processes.limits import limit_memory, limit_processor_time

P = ParamSpec("P")
R = TypeVar("R")

#: A process is replaced after this many jobs, so that its memory cannot creep up.
JOBS_EACH = 60
#: A job whose process was ended from outside (by the system, short of memory) is done once more.
_TRIES = 2
#: What libraries say that do not raise MemoryError.
_NO_MEMORY = ("Insufficient memory", "bad_alloc", "bad allocation", "Failed to allocate", "can't start new thread")

_TOO_LONG = "it takes longer than any photo of its size: send the photo as the phone stored it."
_ENDED = "the process that measured it ended, twice: send it as JPEG, or take it again."

#: Where OpenMP, linear algebra, OpenCV and the networks are told how many threads to use.
_THREADS = ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "OPENCV_FOR_THREADS_NUM")

_in_worker = False


class OutOfMemory(JobEnded):
    """A job asked for more memory than a worker may hold."""


class WorkerTraceback(Exception):
    """Where in a worker an error arose; the cause of the error that the caller gets."""


def allow_time_for(megapixels: float, photos: int = 1) -> None:
    """Let the job that now runs compute as long as it may take over so many megapixels, of ``photos`` of one bead;
    outside a worker nothing."""
    if _in_worker:
        limits, pairs = WorkerFigures.read(), photos * (photos - 1) / 2
        limit_processor_time(
            limits.seconds + limits.seconds_per_megapixel * megapixels + limits.seconds_per_pair * pairs
        )


class _Ended(Exception):
    """The process ended in the middle of a job."""

    def __init__(self, exit_code: int | None) -> None:
        super().__init__(exit_code)
        self.out_of_time = exit_code == -getattr(signal, "SIGXCPU", 0)


@dataclass(slots=True)
class _Work:
    """What a worker is sent."""

    function: Callable[..., Any]
    args: tuple[Any, ...]
    kwargs: dict[str, Any]


@dataclass(slots=True, eq=False)
class _Job:
    work: _Work
    future: Future[Any] = field(default_factory=Future)
    worker: _Worker | None = None
    abandoned: bool = False


class Workers(Executor):
    """An executor of ``count`` processes, as many as there are cores by default, started when they are needed.

    ``warm_up`` runs once in each. Its futures raise what the job raised, or :class:`JobEnded` with a sentence.
    ``at_once`` is how many photos one job may hold.
    """

    def __init__(
        self, count: int | None = None, warm_up: Callable[[], object] | None = None, *, at_once: int = 1
    ) -> None:
        self._count = count or os.cpu_count() or 1
        limits = WorkerFigures.read()
        self._max_mb = limits.max_mb + (at_once - 1) * limits.further_mb
        self._warm_up = warm_up
        self._waiting: deque[_Job] = deque()
        self._known: dict[Future[Any], _Job] = {}
        self._threads: list[threading.Thread] = []
        self._idle = 0
        self._closed = False
        self._changed = threading.Condition()

    def start(self) -> None:
        """Start every process now; they load what they need while nothing is asked of them yet."""
        with self._changed:
            while len(self._threads) < self._count:
                self._start_one()

    def submit(self, fn: Callable[P, R], /, *args: P.args, **kwargs: P.kwargs) -> Future[R]:
        """Put a job in line; RuntimeError once the pool is shut down."""
        job = _Job(_Work(fn, args, kwargs))
        with self._changed:
            if self._closed:
                raise RuntimeError("these workers have been shut down")
            self._waiting.append(job)
            self._known[job.future] = job
            if self._idle < len(self._waiting) and len(self._threads) < self._count:
                self._start_one()
            self._changed.notify()
        return job.future

    def abandon(self, future: Future[Any]) -> None:
        """End a job that nobody waits for any more, running or not; its future is cancelled or raises JobEnded."""
        with self._changed:
            job = self._known.get(future)
            if future.cancel() or job is None:
                return
            job.abandoned = True
            if job.worker is not None:
                job.worker.kill()

    def shutdown(self, wait: bool = True, *, cancel_futures: bool = False) -> None:
        """Take no more jobs; ``wait`` for those there are, without those still in line under ``cancel_futures``."""
        with self._changed:
            self._closed = True
            if cancel_futures:
                for job in self._waiting:
                    job.future.cancel()
            self._changed.notify_all()
        if wait:
            for thread in self._threads:
                thread.join()

    def stop(self) -> None:
        """End every job at once."""
        for future in list(self._known):
            self.abandon(future)
        self.shutdown()

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, where: TracebackType | None
    ) -> None:
        """Wait for the jobs; after an error nobody does."""
        if error is None:
            self.shutdown()
        else:
            self.stop()

    def _start_one(self) -> None:
        thread = threading.Thread(target=self._serve, name="toeline-worker", daemon=True)
        self._threads.append(thread)
        thread.start()

    def _serve(self) -> None:
        worker = _Worker(self._warm_up, max(1, (os.cpu_count() or 1) // self._count), self._max_mb)
        worker.start()
        while (job := self._next()) is not None:
            if job.future.set_running_or_notify_cancel():
                try:
                    job.future.set_result(self._done(job, worker))
                except BaseException as error:
                    job.future.set_exception(error)
            with self._changed:
                self._known.pop(job.future, None)
        worker.close()

    def _next(self) -> _Job | None:
        with self._changed:
            self._idle += 1
            self._changed.wait_for(lambda: self._waiting or self._closed)
            self._idle -= 1
            return self._waiting.popleft() if self._waiting else None

    def _done(self, job: _Job, worker: _Worker) -> Any:
        """What a job gives, done once more where its process was ended from outside."""
        for _ in range(_TRIES):
            with self._changed:
                job.worker = None if job.abandoned else worker
            if job.abandoned:
                raise JobEnded("nobody waited for it any more.")
            try:
                return worker.run(job.work)
            except _Ended as ended:
                if ended.out_of_time:
                    raise JobEnded(_TOO_LONG) from ended
            finally:
                with self._changed:
                    job.worker = None
        raise JobEnded(_ENDED)


class _Worker:
    """One process, started anew after it ended or has done its share."""

    def __init__(self, warm_up: Callable[[], object] | None, threads: int, max_mb: float) -> None:
        self._warm_up = warm_up
        self._threads = threads
        self._max_mb = max_mb
        self._process: SpawnProcess | None = None
        self._line: Connection | None = None
        self._jobs = 0

    def start(self) -> Connection:
        """Start the process unless it runs; the line to it."""
        if self._line is None:
            context = get_context("spawn")
            self._line, theirs = context.Pipe()
            self._process = context.Process(
                target=_obey, args=(theirs, self._warm_up, self._threads, self._max_mb), daemon=True
            )
            with _no_main_module():
                self._process.start()
            theirs.close()  # so that the line ends with the process
            self._jobs = 0
        return self._line

    def run(self, work: _Work) -> Any:
        """What the work gives, or raises; :class:`_Ended` where the process ends."""
        line = self.start()
        try:
            line.send(work)
            answer, error, where = line.recv()
        except (EOFError, ConnectionError):
            raise _Ended(self.close()) from None
        self._jobs += 1
        if self._jobs >= JOBS_EACH or isinstance(error, OutOfMemory):
            self.close()
        if error is not None:
            raise error from WorkerTraceback(where)
        return answer

    def kill(self) -> None:
        """End the process at once, from any thread."""
        if self._process is not None:
            self._process.kill()

    def close(self) -> int | None:
        """Let the process end; its exit code."""
        if self._line is None or self._process is None:
            return None
        self._line.close()
        self._process.join()
        code, self._line, self._process = self._process.exitcode, None, None
        return code


def _obey(line: Connection, warm_up: Callable[[], object] | None, threads: int, max_mb: float) -> None:
    """The worker's life: do what comes down the line until it ends."""
    global _in_worker
    for library in _THREADS:  # they read it as they are loaded: workers share the cores, and do not each take all
        os.environ.setdefault(library, str(threads))
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # Ctrl+C is for the one who waits, who then ends this
    threading.Thread(target=_end_with_the_parent, daemon=True).start()
    if warm_up is not None:
        warm_up()
    _in_worker = True
    while True:
        try:
            work = line.recv()
        except EOFError:
            return
        allow_time_for(0)
        limit_memory(max_mb)
        try:
            line.send((work.function(*work.args, **work.kwargs), None, ""))
        except Exception as error:  # of the job, or of sending what it gave
            line.send((None, _told(error), traceback.format_exc()))


_MAIN = threading.Lock()


@contextmanager
def _no_main_module() -> Iterator[None]:
    """Start a process without running the main module again in it: a page's script stands in its place meanwhile."""
    with _MAIN:
        main = sys.modules["__main__"]
        sys.modules["__main__"] = ModuleType("__main__")
        try:
            yield
        finally:
            sys.modules["__main__"] = main


def _end_with_the_parent() -> None:
    if (parent := parent_process()) is not None:
        parent.join()
        os._exit(0)


def _told(error: Exception) -> Exception:
    """An error as the parent gets it: whatever a library says of memory is one error."""
    if isinstance(error, MemoryError) or any(words in str(error) for words in _NO_MEMORY):
        return OutOfMemory("it takes more memory than a photo may: send it as JPEG, or with fewer pixels.")
    return error
