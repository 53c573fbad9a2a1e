"""Damaged and made-up archives: each is one sentence, and nothing of it is restored."""

from __future__ import annotations

import json
import random
import zipfile

import pytest

import invented
from test_record import filled
from toeline.errors import RecordError
from toeline.record import Store, chain, verify_backup


@pytest.fixture(scope="module")
def archive(tmp_path_factory):
    folder = tmp_path_factory.mktemp("archive")
    with Store.open(folder / "record.sqlite") as store:
        filled(store)
        store.backup(folder / "whole.zip")
    return folder / "whole.zip"


def damaged(whole, rng):
    """The bytes of an archive, hurt in one of five ways."""
    data = bytearray(whole)
    directory = data.index(b"PK\x01\x02")
    match rng.choice(("flip", "cut", "insert", "directory", "swap")):
        case "flip":
            for _ in range(rng.choice((1, 3, 20))):
                data[rng.randrange(len(data))] ^= rng.randrange(1, 256)
        case "cut":
            del data[rng.randrange(len(data)) :]
        case "insert":
            at = rng.randrange(len(data))
            data[at:at] = rng.randbytes(rng.choice((1, 4, 100)))
        case "directory":
            for _ in range(rng.choice((1, 2, 6))):
                data[rng.randrange(directory, len(data))] = rng.randrange(256)
        case "swap":
            first, second = sorted(rng.randrange(len(data)) for _ in range(2))
            data = data[:first] + data[second:] + data[first:second]
    return bytes(data)


def test_three_hundred_damaged_archives_are_one_sentence_each_or_restore_whole(archive, tmp_path):
    whole, rng, refused = archive.read_bytes(), random.Random(300), 0
    expected = verify_backup(archive)
    for number in range(300):
        (tmp_path / "bad.zip").write_bytes(damaged(whole, rng))
        try:
            found = verify_backup(tmp_path / "bad.zip")
        except RecordError:
            refused += 1
            continue
        assert found.head == expected.head  # a byte that does not matter, a file's time say
        Store.restore(tmp_path / "bad.zip", tmp_path / str(number) / "record.sqlite")
    assert refused > 250


def made_up(archive, into, change):
    """An archive whose parts were changed and whose manifest was made to fit."""
    with zipfile.ZipFile(archive) as packed:
        parts = {name: packed.read(name) for name in packed.namelist()}
    manifest = json.loads(parts.pop("manifest.json"))
    raw = change(parts, manifest)
    manifest["files"] = {name: chain.digest(data) for name, data in parts.items()} | manifest.get("extra", {})
    manifest.pop("extra", None)
    with zipfile.ZipFile(into, "w", zipfile.ZIP_DEFLATED) as packed:
        for name, data in parts.items():
            packed.writestr(name, data)
        packed.writestr("manifest.json", raw if raw is not None else json.dumps(manifest))


def _row(name, text):
    def change(parts, manifest):
        parts[f"tables/{name}.jsonl"] = text
        manifest["rows"][name] = 1

    return change


def _without(name):
    def change(parts, manifest):
        parts.pop(f"tables/{name}.jsonl")
        manifest["tables"].remove(name)

    return change


def _photo(parts, manifest):
    gone = next(name for name in parts if name.startswith("photos/"))
    parts.pop(gone)


def _said(**values):
    def change(parts, manifest):
        manifest.update(values)

    return change


CHANGES = {
    "no JSON": _row("photo", b"not json\n"),
    "no object": _row("photo", b"[1, 2]\n"),
    "a number": _row("photo", b"7\n"),
    "no end": _row("photo", b'{"sha256": "a"'),
    "NaN": _row("measure", b'{"inspection_id":"a","name":"b","value":NaN,"U":1,"unit":"mm"}\n'),
    "1e400": _row("measure", b'{"inspection_id":"a","name":"b","value":1e400,"U":1,"unit":"mm"}\n'),
    "a huge number": _row("photo", b'{"sha256":"a","size":' + b"9" * 5000 + b',"media_type":"x"}\n'),
    "nested without end": _row("photo", b"[" * 200_000 + b"\n"),
    "unknown column": _row("photo", b'{"sha256":"a","size":1,"media_type":"x","owner":"me"}\n'),
    "missing column": _row("photo", b'{"sha256":"a"}\n'),
    "an object for a text": _row("photo", b'{"sha256":{"a":1},"size":1,"media_type":"x"}\n'),
    "no UTF-8": _row("photo", b'{"sha256":"\xff\xfe"}\n'),
    "half a letter": _row("photo", b'{"sha256":"\\ud800","size":1,"media_type":"x"}\n'),
    "unknown parent": _row("inspection_photo", b'{"inspection_id":"x","place":0,"sha256":"y"}\n'),
    "no ledger": _without("ledger"),
    "no inspections": _without("inspection"),
    "a photo less": _photo,
    "another head": _said(head="0" * 64),
    "a newer schema": _said(schema_version="9999"),
    "another format": _said(format="zip"),
    "a manifest that is none": lambda parts, manifest: "[]",
    "a manifest nested without end": lambda parts, manifest: "[" * 200_000,
    "a file outside": _said(extra={"../../etc/passwd": "0" * 64}),
    "a photo outside": _said(extra={"photos/../../x": "0" * 64}),
}


@pytest.mark.parametrize("change", CHANGES.values(), ids=CHANGES)
def test_a_made_up_archive_is_refused_in_a_sentence(archive, tmp_path, change):
    made_up(archive, tmp_path / "made.zip", change)
    with pytest.raises(RecordError) as refused:
        Store.restore(tmp_path / "made.zip", tmp_path / "new" / "record.sqlite")
    assert "archive" in str(refused.value) or "backup" in str(refused.value)
    assert not list((tmp_path / "new").glob("photos/??/*")) or Store.open(tmp_path / "new").search().total == 0


def test_an_archive_that_swells_is_refused_before_it_fills_the_memory(archive, tmp_path, monkeypatch):
    monkeypatch.setattr("toeline.record.backup._LONGEST_ROW", 100_000)
    made_up(archive, tmp_path / "made.zip", _row("photo", b" " * 30_000_000))
    assert (tmp_path / "made.zip").stat().st_size < 300_000
    with pytest.raises(RecordError, match="damaged"):
        Store.restore(tmp_path / "made.zip", tmp_path / "new" / "record.sqlite")


def test_an_archive_of_another_record_is_no_help_to_a_receipt(archive, tmp_path):
    with Store.open(tmp_path / "other" / "record.sqlite") as other:
        other.save_inspection(invented.result(5), invented.photo_bytes(5), invented.IDENTITY)
        receipt = other.receipt()
    Store.restore(archive, tmp_path / "new" / "record.sqlite")
    with Store.open(tmp_path / "new" / "record.sqlite") as restored:
        assert not restored.check(receipt=receipt).ok
