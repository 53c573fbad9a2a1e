"""Many photos on any executor: as they finish, resumed, and nothing lost with a worker."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import threading
import time
from concurrent.futures import ProcessPoolExecutor, ThreadPoolExecutor
from multiprocessing import get_context
from pathlib import Path

import cv2
import numpy as np
import pandas as pd
import pytest

import seen_photos
import toeline
from toeline.batch import Journal, measure_many, measured_frame, write_parquet
from toeline.photo import read_photo
from toeline.processes.anywhere import as_done
from toeline.processes.workers import Workers
from toeline.result import Settings


@pytest.fixture(scope="module")
def photos(tmp_path_factory) -> list[Path]:
    """Three photos of one good bead, each of other bytes, one without a bead and a file that is no photo."""
    pairs = seen_photos.photos()
    if not pairs:
        pytest.skip("needs demo photos or ../shared/photos/dev")
    into = tmp_path_factory.mktemp("photos")
    photo = read_photo(pairs[0][0])
    small = cv2.resize(photo.image, None, fx=0.5, fy=0.5, interpolation=cv2.INTER_AREA)
    for number in range(3):
        small[0, 0] = number
        (into / f"good{number}.jpg").write_bytes(seen_photos.jpeg(small, photo.exif.focal_35mm) + bytes(number))
    (into / "bare.jpg").write_bytes(seen_photos.jpeg(np.full((600, 800, 3), 128, np.uint8)))
    (into / "broken.jpg").write_text("not a photo")
    return sorted(into.iterdir())


def killed_once(path: Path) -> str:
    """Ends its own process on the first call for ``bare``; every other call gives the name."""
    mark = path.with_suffix(".mark")
    if path.name == "bare.jpg" and not mark.exists():
        mark.touch()
        time.sleep(0.5)  # others are under way by then
        os.kill(os.getpid(), signal.SIGKILL)
    return path.name


def fails_there(path: Path) -> str:
    """An error anywhere but in a worker of toeline's own."""
    from toeline.processes import workers

    if not workers._in_worker:
        raise MemoryError
    return path.name


def test_every_photo_is_answered_for_on_all_cores(photos):
    found = {one.photo: one for one in toeline.measure_many(map(str, photos), Settings())}
    assert found.keys() == {path.name for path in photos}
    assert all(found[f"good{n}.jpg"].result.bead.found for n in range(3))
    assert not found["bare.jpg"].result.bead.found
    assert "not a photo" in found["broken.jpg"].problem


def test_a_broken_process_pool_loses_nothing(tmp_path):
    paths = [tmp_path / name for name in ("a.jpg", "bare.jpg", "c.jpg", "d.jpg", "e.jpg")]
    with ProcessPoolExecutor(2, mp_context=get_context("spawn")) as pool:
        done = {path.name: future.result() for path, future in as_done(killed_once, paths, pool)}
    assert done == {path.name: path.name for path in paths}


def test_an_error_of_the_executor_is_done_again_here(tmp_path):
    with ThreadPoolExecutor(1) as pool:
        done = [future.result() for _, future in as_done(fails_there, [tmp_path / "a", tmp_path / "b"], pool)]
    assert sorted(done) == ["a", "b"]


def test_a_photo_that_ends_its_process_is_a_problem_and_no_end(photos):
    with Workers(1) as workers:
        (path, future), *_ = as_done(_always_killed, photos[:1], workers)
        assert path == photos[0]
        assert "ended, twice" in str(future.exception())


def _always_killed(path: Path) -> None:
    os.kill(os.getpid(), signal.SIGSEGV)


def test_photos_are_drawn_from_a_stream_as_work_goes_on(tmp_path):
    """An archive of millions is never held in line."""
    drawn = 0

    def archive():
        nonlocal drawn
        for number in range(100_000):
            drawn += 1
            yield tmp_path / str(number)

    with ThreadPoolExecutor(2) as pool:
        results = as_done(Path.exists, archive(), pool)
        next(results)
        results.close()
    assert drawn < 5000


def test_a_journal_goes_on_where_a_kill_left_it(photos, tmp_path):
    file = tmp_path / "kept"
    with Journal(file) as journal:
        first = {m.photo: m.result for m in measure_many(photos[:2], Settings(), memory=journal)}
    file.write_bytes(file.read_bytes() + b'{"photo": "cut sho')
    with Journal(file) as journal, ThreadPoolExecutor(1) as nobody:
        nobody.shutdown()  # nothing may be handed over
        again = {m.photo: m.result for m in measure_many(photos[:1], Settings(), memory=journal, executor=nobody)}
        sha = first[photos[0].name].photo.sha256
        assert again[photos[0].name].measures == first[photos[0].name].measures
        journal.remember(sha, "other settings", first[photos[0].name])
        assert journal.measured(sha, "other settings") is not None
    with Journal(file) as journal:
        assert journal.measured(sha, "other settings") is not None
        assert journal.measured(sha, "none") is None


def crash(image: np.ndarray) -> None:
    os.kill(os.getpid(), signal.SIGSEGV)


def mean(image: np.ndarray) -> int:
    return int(image.mean())


def test_a_number_in_a_photo_is_looked_for_in_a_process_that_may_die_also_in_one_that_was_measured(photos, tmp_path):
    good = photos[2:4]
    with Journal(tmp_path / "kept") as journal:
        first = {one.photo: one.result for one in measure_many(good, Settings(), memory=journal)}
        again = {one.photo: one for one in measure_many(good, Settings(), memory=journal, code_of=mean)}
        crashed = list(measure_many(good, Settings(), memory=journal, code_of=crash))
    assert {name: one.result.measures for name, one in again.items()} == {k: one.measures for k, one in first.items()}
    assert [again[path.name].code for path in good] == [int(read_photo(path).image.mean()) for path in good]
    assert all("ended, twice" in one.problem for one in crashed)


def test_the_table_has_a_row_for_every_photo_and_units_in_its_names(photos, tmp_path):
    done = sorted(measure_many(photos, Settings(criteria="workmanship")), key=lambda one: one.photo)
    write_parquet(done, tmp_path / "t.parquet")
    table = pd.read_parquet(tmp_path / "t.parquet")
    assert list(table["photo"]) == [str(path) for path in photos]
    good = table[table["bead_found"].fillna(False)]
    assert len(good) == 3
    result = next(one.result for one in done if one.photo == "good0.jpg")
    row = table[table["photo"].str.endswith("good0.jpg")].iloc[0]
    assert row["width_mean_mm"] == pytest.approx(result.measures["width_mean"].value)
    assert row["width_mean_U_mm"] == pytest.approx(result.measures["width_mean"].U)
    assert toeline.Result.model_validate_json(row["document"]) == result
    assert "not a photo" in table[table["photo"].str.endswith("broken.jpg")].iloc[0]["problem"]
    assert measured_frame([]).empty


@pytest.fixture(scope="module")
def cluster():
    """Two Dask worker processes on this machine and a client."""
    distributed = pytest.importorskip("distributed")
    with (
        distributed.LocalCluster(
            n_workers=2, threads_per_worker=1, processes=True, dashboard_address=None, silence_logs=50
        ) as local,
        distributed.Client(local) as client,
    ):
        yield client


@pytest.mark.filterwarnings("ignore")
def test_dask_loses_nothing_with_a_worker(cluster, photos):
    """A worker process is killed while it measures; the photos are 24, so that both workers have work left."""
    many = [path for path in photos if path.name.startswith("good")] * 8
    pids = cluster.run(os.getpid)
    done = []
    for one in measure_many(many, Settings(), executor=cluster.get_executor()):
        done.append(one)
        if len(done) == 2:
            os.kill(next(iter(pids.values())), signal.SIGKILL)
    assert len(done) == len(many)
    assert all(one.result is not None and one.result.bead.found for one in done)


@pytest.mark.filterwarnings("ignore")
def test_a_photo_that_kills_dask_s_workers_is_told_and_the_rest_measured(cluster, tmp_path):
    paths = [tmp_path / name for name in ("a.jpg", "bare.jpg", "c.jpg")]
    done = {path.name: future.result() for path, future in as_done(killed_once, paths, cluster.get_executor())}
    assert done == {path.name: path.name for path in paths}


@pytest.mark.filterwarnings("ignore")
def test_the_command_measures_on_a_cluster(cluster, photos, tmp_path):
    address = cluster.scheduler_info()["address"]
    words = [sys.executable, "-c", "from toeline.cli import main; main()", "measure", *map(str, photos)]
    words += ["--scheduler", address, "--parquet", str(tmp_path / "t.parquet"), "--json", str(tmp_path / "j")]
    done = subprocess.run(words, capture_output=True, text=True, check=False)
    assert done.returncode == 3, done.stderr  # one of them is no photo
    assert "broken.jpg is not a photo" in done.stderr
    assert len(pd.read_parquet(tmp_path / "t.parquet")) == len(photos)
    assert len(list((tmp_path / "j").iterdir())) == len(photos) - 1


def still_running(group: int) -> list[str]:
    """Processes of a group that run; one that ended and that nobody has asked about yet does not."""
    found = []
    for stat in Path("/proc").glob("[0-9]*/stat"):
        try:
            name, rest = stat.read_text().rsplit(")", 1)
        except OSError:
            continue
        state, _, of = rest.split()[:3]
        if int(of) == group and state not in "ZX":
            found.append(name)
    return found


@pytest.mark.skipif(not sys.platform.startswith("linux"), reason="asks Linux which processes run")
def test_ctrl_c_ends_the_command_and_its_workers(photos, tmp_path):
    many = [tmp_path / f"{number}.jpg" for number in range(80)]  # each of other bytes: none is known from another
    good = next(path for path in photos if path.name == "good0.jpg").read_bytes()
    for number, path in enumerate(many):
        path.write_bytes(good + bytes(100 + number))
    words = [sys.executable, "-c", "from toeline.cli import main; main()", "measure", *map(str, many)]
    command = subprocess.Popen(
        [*words, "--parquet", str(tmp_path / "t.parquet")],
        stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, start_new_session=True,
    )  # fmt: skip
    assert command.stderr is not None
    while not command.stderr.readline().startswith("1/"):
        pass
    os.killpg(command.pid, signal.SIGINT)  # as a terminal does: the command and its workers
    _, err = command.communicate()
    assert command.returncode == 130
    assert "Traceback" not in err
    until = time.monotonic() + 30  # a worker notices within a moment that nobody waits for it
    while still_running(command.pid) and time.monotonic() < until:
        time.sleep(0.1)
    assert not still_running(command.pid)
    assert (tmp_path / "t.parquet.part").stat().st_size > 0  # and the next time goes on from there


def test_who_stops_listening_ends_the_work(tmp_path):
    before = threading.active_count()
    results = as_done(killed_once, [tmp_path / "a.jpg", tmp_path / "b.jpg"])
    next(results)
    results.close()
    assert threading.active_count() <= before
