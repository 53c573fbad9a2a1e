"""Measurements of interrupted batches, kept beside the record."""

from __future__ import annotations

import sqlite3
from concurrent.futures import ThreadPoolExecutor

import pytest

import invented
from toeline.batch import KeptMeasurements, settings_digest
from toeline.criteria import load_criteria, own_copy
from toeline.errors import SettingsError
from toeline.result import GaugeReading, Procedure, RunRanges, Settings


@pytest.fixture
def kept(tmp_path):
    return KeptMeasurements(tmp_path / "new" / "measured.sqlite")


def plain():
    """A result without readings of a person."""
    result = invented.result()
    return result.model_copy(update={"settings": result.settings.model_copy(update={"gauge": ()})})


def test_kept_measurements_resume_a_batch(kept):
    key = settings_digest(Settings(), "0.1.0")
    sha = invented.result().photo.sha256
    assert kept.measured(sha, key) is None
    kept.remember(sha, key, plain())
    kept.remember(sha, key, plain())
    again = kept.measured(sha, key)
    assert again.photo.name == ""
    assert again.measures == invented.result().measures
    assert kept.measured(sha, settings_digest(Settings(thickness_mm=6), "0.1.0")) is None
    assert kept.measured(sha, settings_digest(Settings(), "0.2.0")) is None


def test_a_kept_measurement_knows_what_a_criteria_file_says_not_where_it_lies(tmp_path):
    own, moved = tmp_path / "own.toml", tmp_path / "moved.toml"
    own.write_text(own_copy(load_criteria("workmanship")), "utf-8")
    before = settings_digest(Settings(criteria=str(own)), "0.1.0")
    moved.write_bytes(own.read_bytes())
    assert settings_digest(Settings(criteria=str(moved)), "0.1.0") == before
    own.write_text(own.read_text("utf-8") + '\n[[line]]\nid = "spatter"\nremove = true\n', "utf-8")
    assert settings_digest(Settings(criteria=str(own)), "0.1.0") != before


@pytest.mark.parametrize("text", ["{}", "", '{"of": "a later version"}', "[" * 5000])
def test_what_another_version_kept_or_damaged_is_measured_anew(kept, text):
    kept.remember("a" * 64, "key", plain())
    with sqlite3.connect(kept._path) as file:
        file.execute("update measured set result = ?", (text,))
    assert kept.measured("a" * 64, "key") is None


def test_what_a_batch_measured_is_kept_for_a_month(kept):
    for key in ("old", "new"):
        kept.remember("a" * 64, key, plain())
    with sqlite3.connect(kept._path) as file:
        file.execute("update measured set at = '2020-01-01T00:00:00+00:00' where settings = 'old'")
    kept.remember("b" * 64, "new", plain())
    assert kept.measured("a" * 64, "old") is None
    assert kept.measured("a" * 64, "new") is not None


@pytest.mark.parametrize(
    "said",
    [
        Settings(gauge=(GaugeReading(name="undercut_depth", value=0.3),)),
        Settings(procedure=Procedure(name="WPS Ada Brandt", run=(RunRanges(),))),
    ],
)
def test_a_measurement_with_a_person_s_reading_or_a_procedure_is_not_kept(kept, said):
    kept.remember("a" * 64, "key", invented.result().model_copy(update={"settings": said}))
    assert kept.measured("a" * 64, "key") is None


def test_many_may_keep_at_once_and_only_the_owner_reads(kept):
    with ThreadPoolExecutor(8) as pool:
        list(pool.map(lambda n: kept.remember(f"{n:064}", "key", plain()), range(40)))
    assert all(kept.measured(f"{n:064}", "key") is not None for n in range(40))
    assert kept._path.stat().st_mode & 0o077 == 0


def test_a_file_that_is_no_store_of_measurements_is_one_sentence(tmp_path):
    (tmp_path / "measured.sqlite").write_bytes(b"nothing of the kind" * 100)
    with pytest.raises(SettingsError, match="delete that file"):
        KeptMeasurements(tmp_path / "measured.sqlite").measured("a", "b")
