"""Erasing a person: found however the name is written and wherever it stands, and gone or said to be there."""

from __future__ import annotations

import io
import sqlite3
import threading

import pytest
from hypothesis import given
from hypothesis import strategies as st
from PIL import Image

import invented
from toeline.errors import RecordError
from toeline.record import Identity, NewDecision, Store
from toeline.record.mentions import Mentions


@pytest.fixture
def store(tmp_path):
    with Store.open(tmp_path / "record.sqlite") as opened:
        yield opened


def photo_of(name, kind="JPEG", seed=0):
    """A small photo whose own data names its maker: artist, a comment in UTF-16 as Windows writes it, XMP."""
    image = Image.frombytes("RGB", (64, 48), bytes((seed * 7 + k * k) % 251 for k in range(64 * 48 * 3)))
    exif = image.getexif()
    exif[0x010F] = "Invented phones"
    exif[0x013B] = name
    exif[0x9C9D] = name.upper().encode("utf-16-le")
    out = io.BytesIO()
    xmp = f"<x:xmpmeta xmlns:x='adobe:ns:meta/'><creator>{name}</creator></x:xmpmeta>".encode()
    image.save(out, kind, exif=exif, **({"xmp": xmp} if kind == "JPEG" else {}))
    return out.getvalue()


def save(store, photo, name="photo.jpg", decision=None, more=(), remarks=None, result=None, **identity):
    from hashlib import sha256

    result = result or invented.result()
    info = result.photo.model_copy(update={"sha256": sha256(photo).hexdigest(), "name": name})
    result = result.model_copy(update={"photo": info})
    return store.save_inspection(
        result, photo, Identity(**identity), decision=decision, more_photos=more, remarks=remarks
    )


def left(folder):
    return b"".join(path.read_bytes() for path in folder.rglob("*") if path.is_file())


@pytest.mark.parametrize(
    "written", ["Émile Ström", "E\u0301mile Stro\u0308m", "STRÖM, ÉMILE", "emile_strom", "Émile Stroem"]
)
@pytest.mark.parametrize("asked", ["Émile Ström", "strom emile", "E\u0301MILE STRO\u0308M"])
def test_a_name_is_found_however_it_is_written(written, asked):
    assert Mentions(asked).in_text(f"weld by {written}.")
    assert Mentions(asked).in_text(f"{written}3.jpg")


@pytest.mark.parametrize(
    ("text", "asked"), [("Ada Brandtsen", "Ada Brandt"), ("Adalbert", "Ada"), ("Canada Brandt", "Ada Brandt")]
)
def test_another_name_is_left_alone(text, asked):
    assert not Mentions(asked).in_text(text)


@given(st.text(max_size=60), st.text(max_size=60))
def test_a_name_is_found_inside_any_text(before, after):
    assert Mentions("Ada Brandt").in_text(f"{before} ada brandt {after}")


@pytest.mark.parametrize("name", ["", "  ", "-", "\u0301"])
def test_no_name_is_refused(name):
    with pytest.raises(RecordError, match="Give the person's name"):
        Mentions(name)


def test_a_name_in_every_field_goes_and_the_chain_stays_whole(store, tmp_path):
    reading = invented.result().settings.gauge[0].model_copy(update={"name": "gauged by Ada Brandt"})
    settings = invented.result().settings.model_copy(update={"gauge": (reading,)})
    result = invented.result().model_copy(update={"settings": settings, "cautions": ("Ask Brandt, Ada first.",)})
    saved = save(
        store,
        invented.photo_bytes(),
        "adabrandt.jpg",
        result=result,
        job="Ada Brandt's gate",
        part="for BRANDT ADA",
        weld="ada-brandt-7",
        procedure="WPS Ada_Brandt",
        position="PA, as Ada Brandt likes it",
        welder="Ada Brandt",
        inspector="Noor Holm",
        remarks="brandt, ada welded it",
        decision=NewDecision(decision="accept", by="Noor Holm", reason="Ada Brandt gauged it"),
    )
    assert store.get(saved.id).result.settings.gauge[0].name == "gauged by Ada Brandt"
    assert store.search("gate").total == 1
    found = store.find_person("Ada Brandt")
    assert {hit.field for hit in found} >= {
        "job",
        "part",
        "weld",
        "procedure",
        "position",
        "welder",
        "remarks",
        "result",
    }
    assert not any(hit.kept_because for hit in found)
    erased = store.erase_person("ada brandt")
    assert (erased.inspections, erased.kept) == (1, ())
    got = store.get(saved.id)
    assert got.identity == Identity(inspector="Noor Holm")
    assert set(got.erased) >= {"job", "part", "weld", "procedure", "position", "result"}
    assert got.result.measures == result.measures
    assert store.check().ok, store.check().findings
    store.close()
    assert b"randt" not in left(tmp_path)


def test_texts_of_a_result_come_back_as_they_were(store):
    saved = store.save_inspection(invented.result(), invented.photo_bytes(), Identity(welder="Invented phone"))
    got = store.get(saved.id)
    assert got.result == invented.result()
    store.erase_person("Invented phone")
    assert store.get(saved.id).result.photo.camera == "(erased)"


def test_a_name_that_nothing_holds_is_an_error(store):
    save(store, invented.photo_bytes(), welder="Ada Brandt")
    for ask in (store.find_person, store.erase_person, store.export_person):
        with pytest.raises(RecordError, match="Nothing on record names"):
            ask("Ada Brant")


def test_a_photo_that_names_the_person_in_its_own_data_is_replaced(store, tmp_path):
    photo = photo_of("Ada Brandt")
    saved = save(store, photo, more=[("b.jpg", photo_of("Brandt, Ada", seed=3))])
    assert {hit.field for hit in store.find_person("Ada Brandt")} == {"photo 1", "photo 2"}
    erased = store.erase_person("Ada Brandt")
    assert (erased.photos, erased.kept) == (2, ())
    kept = store.photo(saved.photos[0].sha256)
    assert len(kept) == len(photo)
    with Image.open(io.BytesIO(kept)) as now, Image.open(io.BytesIO(photo)) as before:
        assert now.tobytes() == before.tobytes()
        assert now.getexif()[0x010F] == "Invented phones"
        assert now.getexif()[0x013B].strip() == ""
    assert store.check().ok, store.check().findings
    assert "photo's own data" in store.get(saved.id).erased
    again = store.supersede(saved.id, store.get(saved.id).result, kept, Identity(), why="wrong part")
    assert again.photos[0].sha256 == saved.photos[0].sha256
    store.backup(tmp_path / "backup.zip")
    Store.restore(tmp_path / "backup.zip", tmp_path / "new" / "record.sqlite")
    with Store.open(tmp_path / "new" / "record.sqlite") as restored:
        assert restored.check(store.head()).ok
        assert restored.photo(saved.photos[0].sha256) == kept
    store.close()
    assert b"randt" not in left(tmp_path)
    assert "BRANDT".encode("utf-16-le") not in left(tmp_path)


def test_what_cannot_be_erased_is_said(store):
    save(store, photo_of("Ada Brandt", "PNG"), welder="Ada Brandt")
    erased = store.erase_person("Ada Brandt")
    assert [(hit.field, bool(hit.kept_because)) for hit in erased.kept] == [("photo 1", True)]
    assert erased.fields == 2  # welder and file name
    assert store.check().ok
    with pytest.raises(RecordError, match="Nothing"):
        store.erase_person("Noor Holm")


def test_the_original_put_back_after_erasing_is_found_and_tidied(store):
    photo = photo_of("Ada Brandt")
    saved = save(store, photo)
    store.erase_person("Ada Brandt")
    store._photos.adopt(store._photos.stage(photo, saved.photos[0].sha256))
    assert any("names a person who was erased" in finding.text for finding in store.check().findings)
    store.tidy(keep_days=0)
    assert store.check().ok
    save(store, photo)  # the same photo sent again
    assert store.check().ok


def test_two_people_are_erased_from_one_photo_one_after_the_other(store):
    saved = save(store, photo_of("Ada Brandt and Noor Holm"))
    store.erase_person("Noor Holm")
    store.erase_person("Ada Brandt")
    assert b"randt" not in store.photo(saved.photos[0].sha256)
    assert store.check().ok, store.check().findings


def test_image_data_is_never_taken_for_a_name():
    photo = photo_of("x", seed=5)
    spans = Mentions("Bo").in_photo(photo + b"\xff\xd8 bo ")
    assert all(photo[start:end].lower() in (b"bo", b"") for start, end in spans)
    for seed in range(40):
        noise = bytes((seed * k * k + k) % 256 for k in range(4000))
        jpeg = b"\xff\xd8\xff\xda\x00\x02" + noise.replace(b"\xff", b"\xfe") + b"ab\xff\xd9"
        assert Mentions("ab").in_photo(jpeg) == ()


def test_erasing_waits_for_who_reads_and_says_where_it_could_not(store, tmp_path, monkeypatch):
    save(store, invented.photo_bytes(), welder="Ada Brandt")
    reader = sqlite3.connect(tmp_path / "record.sqlite", check_same_thread=False, isolation_level=None)
    reader.execute("begin")
    reader.execute("select count(*) from personal").fetchone()
    later = threading.Timer(1.0, reader.execute, ["commit"])
    later.start()
    store.erase_person("Ada Brandt")
    later.join()
    assert b"Ada Brandt" not in left(tmp_path)
    save(store, invented.photo_bytes(1), welder="Finn Aas")
    reader.execute("begin")
    reader.execute("select count(*) from personal").fetchone()
    monkeypatch.setattr("toeline.record.database.PATIENCE_S", 0.3)
    with pytest.raises(RecordError, match="could not be cleared"):
        store.erase_person("Finn Aas")
    reader.execute("commit")
    reader.close()
    store.tidy(keep_days=30)
    assert b"Finn Aas" not in left(tmp_path)
    assert store.check().ok
