"""Workers that die, swell, hang and are let go of, without harm to the others."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from concurrent.futures import CancelledError, wait
from pathlib import Path

import numpy as np
import pytest

from toeline.errors import JobEnded, SettingsError
from toeline.processes.workers import OutOfMemory, Workers, WorkerTraceback, allow_time_for


def die(how: int) -> None:
    os.kill(os.getpid(), how)


def die_once(mark: Path) -> str:
    if not mark.exists():
        mark.touch()
        os.kill(os.getpid(), signal.SIGKILL)
    return "done"


def swell(megabytes: int) -> int:
    return int(np.ones(megabytes * 1_000_000, np.uint8).sum())


def leave_holes(megabytes: int) -> int:
    """Hold so much in small pieces, and of these in the end the last alone, which keeps the heap as large."""
    pieces = [b"x" * 100_000 + bytes([k % 256]) for k in range(10 * megabytes)]
    _HELD.append(pieces[-1])
    return len(pieces)


_HELD: list[bytes] = []


def swell_within_what_is_left(held_mb: int, more_mb: int) -> list[bool]:
    """With ``held_mb`` held and 100 MB more allowed: whether half of that and whether ``more_mb`` can still be had."""
    from toeline.processes.limits import limit_memory

    held = np.ones(held_mb * 1_000_000, np.uint8)
    pages = int(Path("/proc/self/statm").read_text("ascii").split()[1])
    limit_memory(pages * os.sysconf("SC_PAGE_SIZE") / 1e6 + 100)
    had = []
    for megabytes in (50, more_mb):
        try:
            had.append(bool(np.ones(megabytes * 1_000_000, np.uint8).all()))
        except MemoryError:
            had.append(False)
    assert held.all()
    return had


def compute_for_ever() -> None:
    from toeline.processes.limits import limit_processor_time

    limit_processor_time(0)  # the shipped budget is one of many seconds
    while True:
        pass


def complain() -> None:
    raise SettingsError("This cannot be.")


def wait_here(mark: Path) -> None:
    mark.touch()
    time.sleep(600)


def number() -> int:
    return os.getpid()


@pytest.fixture
def workers():
    with Workers(2) as two:
        yield two


def test_a_job_that_crashes_its_process_costs_only_itself(workers):
    jobs = [workers.submit(number) for _ in range(4)]
    crash = workers.submit(die, signal.SIGSEGV)
    jobs += [workers.submit(number) for _ in range(4)]
    with pytest.raises(JobEnded, match="ended, twice"):
        crash.result()
    assert all(isinstance(job.result(), int) for job in jobs)


def test_a_job_whose_process_is_ended_from_outside_is_done_again(workers, tmp_path):
    assert workers.submit(die_once, tmp_path / "mark").result() == "done"


@pytest.mark.skipif(sys.platform == "win32", reason="the system keeps no such limit")
def test_a_job_beyond_its_processor_time_is_ended_and_not_done_again(workers):
    with pytest.raises(JobEnded, match="longer than any photo"):
        workers.submit(compute_for_ever).result()
    assert workers.submit(number).result()


@pytest.mark.skipif(sys.platform != "linux", reason="the system keeps no such limit")
def test_a_job_beyond_its_memory_is_refused_it(workers):
    assert workers.submit(swell, 300).result() == 300_000_000
    with pytest.raises(OutOfMemory, match="more memory"):
        workers.submit(swell, 900).result()
    assert workers.submit(number).result()


@pytest.mark.skipif(sys.platform != "linux", reason="the system keeps no such limit")
def test_what_one_job_has_freed_the_next_may_have():
    with Workers(1) as one:
        assert one.submit(leave_holes, 500).result() == 5000
        assert one.submit(swell, 600).result() == 600_000_000


@pytest.mark.skipif(sys.platform != "linux", reason="the system keeps no such limit")
def test_what_a_process_holds_already_is_part_of_its_memory(workers):
    assert workers.submit(swell_within_what_is_left, 200, 150).result() == [True, False]


def test_what_nobody_waits_for_is_ended(workers, tmp_path):
    marks = [tmp_path / "a", tmp_path / "b"]
    running = [workers.submit(wait_here, mark) for mark in marks]
    while not all(mark.exists() for mark in marks):
        time.sleep(0.01)
    in_line = workers.submit(number)
    for job in (in_line, *running):
        workers.abandon(job)
    with pytest.raises(CancelledError):
        in_line.result()
    for job in running:
        with pytest.raises(JobEnded, match="nobody waited"):
            job.result()
    assert workers.submit(number).result()


def test_a_job_s_own_error_comes_back_with_its_place(workers):
    with pytest.raises(SettingsError, match="cannot be") as caught:
        workers.submit(complain).result()
    assert isinstance(caught.value.__cause__, WorkerTraceback)
    assert "complain" in str(caught.value.__cause__)


def test_what_cannot_be_sent_is_an_error_and_no_wait(workers):
    with pytest.raises(Exception, match="pickle"):
        workers.submit(lambda: None).result()
    assert workers.submit(number).result()


def test_processes_are_kept_and_end_with_the_pool():
    with Workers(1) as one:
        pids = {one.submit(number).result() for _ in range(3)}
        assert len(pids) == 1
    with pytest.raises(ProcessLookupError):
        os.kill(pids.pop(), 0)
    with pytest.raises(RuntimeError, match="shut down"):
        one.submit(number)


def test_a_process_is_replaced_after_its_share_of_jobs(monkeypatch):
    monkeypatch.setattr("toeline.processes.workers.JOBS_EACH", 2)
    with Workers(1) as one:
        first, second, third = (one.submit(number).result() for _ in range(3))
    assert first == second != third


def test_an_error_around_the_pool_ends_its_jobs(tmp_path):
    mark = tmp_path / "mark"
    one = Workers(1)
    job = one.submit(wait_here, mark)

    def interrupted() -> None:
        with one:
            while not mark.exists():
                time.sleep(0.01)
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        interrupted()
    wait([job])
    assert isinstance(job.exception(), JobEnded)


def test_time_is_allowed_in_workers_alone():
    if sys.platform == "win32":
        pytest.skip("the system keeps no such limit")
    import resource

    before = resource.getrlimit(resource.RLIMIT_CPU)
    allow_time_for(1)
    assert resource.getrlimit(resource.RLIMIT_CPU) == before


@pytest.mark.skipif(sys.platform != "linux", reason="the system keeps no such limits")
def test_where_less_is_allowed_already_that_holds():
    """As on a cluster, whose scheduler sets limits of its own (``ulimit -t``, ``ulimit -d``)."""
    code = (
        "import resource\n"
        "from toeline.processes.limits import limit_memory, limit_processor_time\n"
        "own = {resource.RLIMIT_CPU: 30, resource.RLIMIT_DATA: 300_000_000}\n"
        "for what, most in own.items():\n    resource.setrlimit(what, (most, most))\n"
        "limit_processor_time(500)\nlimit_memory(5000)\n"
        "assert all(resource.getrlimit(what) == (most, most) for what, most in own.items())\n"
        "limit_processor_time(5)\nassert resource.getrlimit(resource.RLIMIT_CPU)[0] < 30\n"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
