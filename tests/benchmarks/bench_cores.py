"""How much faster a batch is on all cores than on one, as a ratio in one run.

    python tests/benchmarks/bench_cores.py [--photos 48] [--rounds 3] [--cores N] [--json FILE]

Run by hand on an idle Linux machine with two cores or more. The same demo photos are measured by turns as a batch
measures them: by one process on one core, and by a process for each of the cores. Each process has measured before its
time is taken, so that starting and loading count on neither side. The ratio is of the medians of the rounds.
"""

from __future__ import annotations

import argparse
import json
import os
import statistics
import subprocess
import sys
import time
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]


def batch(count: int, processes: int) -> float:
    """Seconds that so many photos take, by so many processes that are warm."""
    from toeline.batch import measure_many, warm_up
    from toeline.processes.workers import Workers

    demo = sorted((ROOT / "demo_images").glob("*.jpg"))
    photos = [demo[k % len(demo)] for k in range(count)]
    with Workers(processes, warm_up) as workers:
        workers.start()
        list(measure_many(photos[: 2 * processes], executor=workers))
        began = time.perf_counter()
        done = list(measure_many(photos, executor=workers))
        took = time.perf_counter() - began
    if len(done) != count or not all(one.result for one in done):
        raise SystemExit("not every photo was measured")
    return took


def timed(count: int, cores: list[int]) -> float:
    """The same in a process of its own, which has these cores alone and a thread for each of its workers."""
    environment = os.environ | {"OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1", "OPENCV_FOR_THREADS_NUM": "1"}
    words = [sys.executable, __file__, "--photos", str(count), "--batch", ",".join(map(str, cores))]
    done = subprocess.run(words, env=environment, stdout=subprocess.PIPE, text=True, check=True)
    return float(done.stdout)


def main() -> None:
    """Measure by turns, print."""
    words = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    words.add_argument("--photos", type=int, default=48, help="photos in each batch")
    words.add_argument("--rounds", type=int, default=3)
    words.add_argument("--cores", type=int, default=len(os.sched_getaffinity(0)))
    words.add_argument("--json", type=Path)
    words.add_argument("--batch", help=argparse.SUPPRESS)
    asked = words.parse_args()
    if asked.batch:
        cores = [int(one) for one in asked.batch.split(",")]
        os.sched_setaffinity(0, cores)
        print(batch(asked.photos, len(cores)))
        return
    cores = sorted(os.sched_getaffinity(0))[: asked.cores]
    if len(cores) < 2:
        raise SystemExit("this takes two cores or more")
    one, all_of_them = [], []
    for _ in range(asked.rounds):
        one.append(timed(asked.photos, cores[:1]))
        all_of_them.append(timed(asked.photos, cores))
    found = {
        "photos": asked.photos,
        "cores": len(cores),
        "one_core_s": one,
        "all_cores_s": all_of_them,
        "times_as_fast": statistics.median(one) / statistics.median(all_of_them),
        "load": os.getloadavg()[0],
    }
    print(json.dumps(found, indent=1))
    if asked.json:
        asked.json.write_text(json.dumps(found))


if __name__ == "__main__":
    main()
