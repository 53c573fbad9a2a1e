"""Short runs over damaged photo files and careless views; the long ones are ``tests/fuzz/fuzz_photos.py`` and
``fuzz_views.py``."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

import pytest

from toeline.errors import PhotoError
from toeline.photo import read_photo

FUZZ = Path(__file__).parent / "fuzz"
sys.path.insert(0, str(FUZZ))
from damaged_files import damaged, whole_files  # noqa: E402
from fuzz_views import fault, photos_of  # noqa: E402


@pytest.mark.skipif(sys.platform != "linux", reason="the system keeps no such limits")
def test_damaged_files_crash_hang_and_swell_nobody():
    """Five hundred files over all formats, each read in a process of its own under the limits."""
    words = [sys.executable, str(FUZZ / "fuzz_photos.py"), "--first", "5000000", "--count", "500"]
    done = subprocess.run(words, capture_output=True, text=True, check=False)
    tally = json.loads(done.stdout.splitlines()[-1].split(" s ", 1)[1])
    assert tally["faults"] == [], done.stderr
    assert done.returncode == 0
    assert tally["files"] == tally["read"] + tally["refused"] == 500
    assert tally["read"] > 25  # the damage is not so coarse that nothing comes beyond the first check


@pytest.mark.parametrize("name", whole_files())
def test_the_files_are_good_before_they_are_damaged(name):
    assert read_photo(whole_files()[name]).image.shape in {(90, 120, 3), (120, 90, 3), (120, 160, 3)}


def test_damage_is_repeatable():
    assert [damaged(n) for n in range(50)] == [damaged(n) for n in range(50)]


def refusal(data: bytes) -> str | None:
    try:
        assert read_photo(data).image.ndim == 3
    except PhotoError as error:
        return str(error)
    return None


@pytest.mark.parametrize("number", range(6_000_000, 6_000_026))
def test_damaged_files_through_the_decoding_process_itself(number):
    """The same by the way a user's file takes, a new process for each."""
    said = refusal(damaged(number)[1])
    assert said is None or said.endswith(".")


@pytest.mark.parametrize("first", range(0, 30, 10))
def test_careless_views_with_any_words_break_nothing(first):
    """Pieces of the demo photos, turned, darkened, blurred and covered, with a joint, ends and criteria at random."""
    assert [found for number in range(first, first + 10) if (found := fault(number, photos_of()))] == []
