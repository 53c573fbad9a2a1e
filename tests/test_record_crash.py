"""kill -9 during a save, two hundred times: nothing is lost, nothing is half there."""

from __future__ import annotations

import hashlib
import os
import random
import signal
import subprocess
import sys
import time
from pathlib import Path

import invented
from toeline.record import NewDecision, Store


def save_for_ever(where: str, first: int) -> None:
    """Save inspections until killed; the id of each goes to standard output once it is saved.

    The photos are bytes of our own, as the store decodes none; each is new.
    """
    blank = invented.result()
    with Store.open(where) as store:
        os.write(1, b"open\n")
        for k in range(first, first + 1000):
            photo = b"\xff\xd8\xff" + k.to_bytes(4, "big") * 15_000
            named = blank.photo.model_copy(update={"sha256": hashlib.sha256(photo).hexdigest()})
            made = store.save_inspection(
                blank.model_copy(update={"photo": named}),
                photo,
                invented.IDENTITY,
                decision=NewDecision(decision="refer", by="Noor Holm"),
            )
            os.write(1, f"{made.id}\n".encode())


def kill_saves(where: str, kills: int) -> None:
    """Start saving, kill it at a random moment, ``kills`` times over; then hold the store against what was said."""
    rng = random.Random(20260314)
    told: list[str] = []
    # this file run as a script: it starts quickly a process for each kill, and says "gone" when that one is dead
    server = subprocess.Popen(
        [sys.executable, __file__, where], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    )
    assert server.stdin is not None
    assert server.stdout is not None
    for kill in range(kills):
        server.stdin.write(f"{kill * 1000}\n")
        server.stdin.flush()
        worker = int(server.stdout.readline())
        assert server.stdout.readline() == "open\n"
        told += [server.stdout.readline().strip() for _ in range(rng.choice((0, 0, 1, 2)))]
        time.sleep(rng.uniform(0, 0.02))  # anywhere in the next save
        os.kill(worker, signal.SIGKILL)
        while (line := server.stdout.readline()) != "gone\n":
            told.append(line.strip())
    server.stdin.close()
    assert server.wait() == 0
    server.stdout.close()
    with Store.open(where) as store:
        report = store.check()
        assert report.ok, report.findings
        found: set[str] = set()
        while len(found) < report.inspections:
            found |= {item.id for item in store.search(size=1000, page=len(found) // 1000 + 1).items}
        assert set(told) <= found  # what was said to be saved is there
        assert len(found) - len(told) <= kills  # at most the one in flight at each kill, and then it is whole
        assert report.inspections == report.photos == len(found)
        store.tidy(keep_days=30)
        assert len(list(store._photos.folder.glob("??/*"))) == report.photos  # no photo without its inspection
        assert all(item.decision == "refer" for item in store.search(size=1000).items)


def test_two_hundred_kills_lose_nothing(tmp_path: Path):
    where = str(tmp_path / "record.sqlite")
    Store.open(where).close()
    kill_saves(where, 200)


def _serve(where: str) -> None:
    for line in sys.stdin:
        if worker := os.fork():
            os.write(1, f"{worker}\n".encode())
            os.waitpid(worker, 0)
            os.write(1, b"gone\n")
        else:
            time.sleep(0.002)  # the parent's line comes first
            save_for_ever(where, int(line))


if __name__ == "__main__":
    _serve(sys.argv[1])
