"""Reading photos: every format, orientation and depth, and files that are no photos."""

from __future__ import annotations

import hashlib
import io
from dataclasses import fields
from pathlib import Path

import cv2
import numpy as np
import pytest
from PIL import Image

from toeline.errors import PhotoError
from toeline.photo import read_photo
from toeline.photo.apart import decode_apart
from toeline.photo.decoder import Limits, Refused
from toeline.photo.figures import PhotoFigures
from toeline.photo.header import _segments


@pytest.fixture(scope="module")
def scene() -> np.ndarray:
    """A smooth RGB picture (120, 160, 3) with a red, a green and a blue corner, so that turning it shows."""
    y, x = np.mgrid[0:120, 0:160]
    return np.stack([255 - x, y * 2, x], axis=-1).clip(0, 255).astype(np.uint8)


def encoded(picture: np.ndarray | Image.Image, form: str, **options) -> bytes:
    image = picture if isinstance(picture, Image.Image) else Image.fromarray(picture)
    out = io.BytesIO()
    image.save(out, form, **options)
    return out.getvalue()


@pytest.mark.parametrize(
    ("form", "options"), [("JPEG", {"quality": 95}), ("PNG", {}), ("TIFF", {}), ("WEBP", {"quality": 95})]
)
def test_formats_give_the_same_upright_colours(scene, form, options):
    data = encoded(scene, form, **options)
    photo = read_photo(data, "x")
    assert photo.image.dtype == np.uint8
    assert (photo.height, photo.width) == (120, 160)
    assert np.abs(photo.image[..., ::-1].astype(int) - scene).mean() < 4
    assert photo.sha256 == hashlib.sha256(data).hexdigest()
    assert photo.data == data


@pytest.mark.parametrize("orientation", range(1, 9))
@pytest.mark.parametrize("form", ["JPEG", "PNG", "TIFF", "WEBP"])
def test_orientation_against_pillow(scene, form, orientation):
    """Outside source: ``PIL.ImageOps.exif_transpose`` for all eight orientations of CIPA DC-008."""
    from PIL import ImageOps

    exif = Image.Exif()
    exif[274] = orientation
    data = encoded(scene, form, exif=exif)
    with Image.open(io.BytesIO(data)) as opened:
        upright = np.asarray(ImageOps.exif_transpose(opened).convert("RGB")).astype(int)
    assert np.abs(read_photo(data).image[..., ::-1].astype(int) - upright).mean() < 2


def test_grey_alpha_16_bit_and_cmyk(scene):
    grey = scene[..., 1]
    assert np.array_equal(read_photo(encoded(grey, "PNG")).image[..., 0], grey)
    deep = Image.fromarray(grey.astype(np.uint16) * 257)
    for form in ("PNG", "TIFF"):
        assert np.abs(read_photo(encoded(deep, form)).image[..., 2].astype(int) - grey).max() <= 1
    alpha = np.dstack([scene, np.full(grey.shape, 255, np.uint8)])
    alpha[:10, :10, 3] = 0
    seen = read_photo(encoded(alpha, "PNG")).image
    assert np.all(seen[:10, :10] == 255)
    assert np.array_equal(seen[20:, 20:, ::-1], scene[20:, 20:])
    cmyk = Image.fromarray(scene).convert("CMYK")
    for form in ("JPEG", "TIFF"):
        assert np.abs(read_photo(encoded(cmyk, form)).image[..., ::-1].astype(int) - scene).mean() < 6
    ok, data = cv2.imencode(".png", np.dstack([scene.astype(np.uint16) * 257] * 1))  # 16 bit colour, written by OpenCV
    assert ok
    assert np.abs(read_photo(data.tobytes()).image.astype(int) - scene).max() <= 1


def test_exif_notes(scene):
    exif = Image.Exif()
    exif[271], exif[272] = "Demo", "Demo Phone\0"
    inner = exif.get_ifd(0x8769)
    inner[36867], inner[36881], inner[41989], inner[37386] = "2026:03:21 10:40:00", "+02:00", 26, 4.25
    notes = read_photo(encoded(scene, "JPEG", exif=exif)).exif
    assert notes.taken_at == "2026-03-21T10:40:00+02:00"
    assert notes.camera == "Demo Phone"
    assert notes.focal_35mm == 26
    assert notes.focal_mm == pytest.approx(4.25)
    assert read_photo(encoded(scene, "JPEG")).exif.focal_35mm is None


@pytest.mark.parametrize("part", [0.0, 0.02, 0.3, 0.5, 0.9])
@pytest.mark.parametrize("form", ["JPEG", "PNG", "TIFF", "WEBP"])
def test_cut_short_is_refused_in_one_sentence(form, part):
    noise = np.random.default_rng(1).integers(0, 255, (200, 300, 3), np.uint8)
    data = encoded(noise, form)
    with pytest.raises(PhotoError) as caught:
        read_photo(data[: int(len(data) * part)], "bad.jpg")
    text = str(caught.value)
    assert text.startswith("bad.jpg")
    assert text.count(". ") == 0
    assert text.endswith(".")


@pytest.mark.parametrize("harm", ["lost", "zeroed"])
def test_corrupt_half_way_is_refused(scene, harm, capfd):
    """A picture that decodes to its end although a part of its data is gone would be measured in the wrong places."""
    big = np.kron(scene, np.ones((4, 4, 1), np.uint8)) + np.random.default_rng(0).integers(0, 9, (480, 640, 3)).astype(
        "u1"
    )
    data = bytearray(encoded(big, "JPEG", quality=90))
    middle = len(data) // 2
    data[middle : middle + 400] = b"" if harm == "lost" else bytes(400)
    with pytest.raises(PhotoError, match="damaged"):
        read_photo(bytes(data))
    assert capfd.readouterr() == ("", "")


def test_what_a_phone_writes_after_the_picture_does_no_harm(scene):
    data = encoded(scene, "JPEG", quality=95)
    assert (read_photo(data + b"trailer" * 100).image == read_photo(data).image).all()


def test_a_strip_of_a_few_rows_is_no_photo():
    with pytest.raises(PhotoError, match="strip of 2000 × 70 pixels"):
        read_photo(encoded(np.zeros((70, 2000), np.uint8), "PNG"))
    assert read_photo(encoded(np.zeros((70, 800), np.uint8), "PNG")).width == 800


def test_no_photo_is_refused(tmp_path):
    for content in (b"", b"hello", b"%PDF-1.7 ...", bytes(2000), b"\xff\xd8\xff\xe0" + bytes(500)):
        with pytest.raises(PhotoError):
            read_photo(content, "x")
    with pytest.raises(PhotoError, match="cannot be opened"):
        read_photo(tmp_path / "nowhere.jpg")
    with pytest.raises(PhotoError, match="cannot be opened"):
        read_photo(tmp_path)
    with pytest.raises(PhotoError, match="thumbnail"):
        read_photo(encoded(np.zeros((20, 20, 3), np.uint8), "PNG"))
    with pytest.raises(PhotoError, match="GIF"):
        read_photo(encoded(np.zeros((99, 99), np.uint8), "GIF"))


@pytest.mark.parametrize("side", [11000, 20000])
def test_decompression_bomb_is_refused_by_its_header(side):
    """A PNG of a few hundred bytes that claims hundreds of megapixels; its pixels are never unpacked."""
    import struct
    import zlib

    def chunk(kind: bytes, content: bytes) -> bytes:
        return struct.pack(">I", len(content)) + kind + content + struct.pack(">I", zlib.crc32(kind + content))

    head = chunk(b"IHDR", struct.pack(">IIBBBBB", side, side, 8, 0, 0, 0, 0))
    with pytest.raises(PhotoError, match="megapixels"):
        read_photo(b"\x89PNG\r\n\x1a\n" + head + chunk(b"IDAT", zlib.compress(bytes(99))), "bomb.png")


def test_heic(scene):
    """``data/small.heic`` holds ``scene`` (by pillow-heif), an EXIF orientation of 6 and no ``irot``.

    HEIF (ISO/IEC 23008-12) turns by its own ``irot`` property alone: the EXIF tag must not turn it again.
    """
    photo = read_photo(Path(__file__).parent / "data" / "small.heic")
    assert np.abs(photo.image[..., ::-1].astype(int) - scene).mean() < 4
    assert photo.exif.camera == "Demo Phone"
    assert photo.exif.focal_35mm == 26
    with pytest.raises(PhotoError):
        read_photo(photo.data[:2500])


# -- files that attack their decoder -----------------------------------------------------------------------------


HEIC = Path(__file__).parent / "data" / "small.heic"


def test_a_heic_whose_item_type_is_no_text_is_refused_and_crashes_nobody():
    """Byte 178 of the small HEIC lies in the type of its second item; libheif 1.23 ends the process of 0x9a there."""
    data = bytearray(HEIC.read_bytes())
    data[178] = 0x9A
    with pytest.raises(PhotoError, match="damaged"):
        read_photo(bytes(data))
    limits = Limits(**{one.name: getattr(PhotoFigures.read().file, one.name) for one in fields(Limits)})
    with pytest.raises(Refused, match="damaged"):  # and so does the decoding process alone, whatever the check knows
        decode_apart(bytes(data), "HEIF", limits)


def scans(scene: np.ndarray, times: int) -> bytes:
    """A progressive JPEG with its last scan written so many times."""
    data = encoded(scene, "JPEG", progressive=True)
    last = data.rindex(b"\xff\xda")
    return data[:last] + data[last:-2] * times + b"\xff\xd9"


def test_a_jpeg_of_absurdly_many_scans_is_not_decoded(scene):
    assert read_photo(encoded(scene, "JPEG", progressive=True)).width == 160
    with pytest.raises(PhotoError, match="more scans"):
        read_photo(scans(scene, 40))


def test_scans_of_the_thumbnail_and_behind_the_picture_do_not_count(scene):
    exif = Image.Exif()
    exif[0x927C] = scans(scene, 50)[:60_000]
    data = encoded(scene, "JPEG", exif=exif)
    assert data.count(b"\xff\xda") > 40
    assert read_photo(data + scans(scene, 40)).width == 160


def bare_jpeg(width: int, height: int, frame: int, sampling: int) -> bytes:
    """The headers of a JPEG of two scans, without its data."""
    sof = b"\x08" + height.to_bytes(2) + width.to_bytes(2) + b"\x03"
    sof += b"".join(bytes((i, sampling if i == 1 else 0x11, 0)) for i in (1, 2, 3))
    sos = b"\xff\xda\x00\x08\x01\x01\x00\x00\x00\x00abc"
    return b"\xff\xd8\xff" + bytes((frame,)) + (len(sof) + 2).to_bytes(2) + sof + sos * 2 + b"\xff\xd9"


@pytest.mark.parametrize(("side", "sampling", "why"), [(9000, 0x11, "memory"), (9000, 0x22, "damaged")])
def test_a_jpeg_whose_coefficients_would_not_fit_is_refused_by_its_header(side, sampling, why):
    """81 megapixels of two scans hold 6 bytes of coefficients a pixel at 4:4:4, 3 at 4:2:0, beside 3 of pixels."""
    with pytest.raises(PhotoError, match=why):
        read_photo(bare_jpeg(side, side, 0xC2, sampling))


@pytest.mark.parametrize(
    "head", [b"VP8L\x08\0\0\0\x2f\xff\xff\xff\x0f", b"VP8X\x0a\0\0\0\0\0\0\0\xff\xff\xff\xff\xff\xff"]
)
def test_a_webp_of_a_few_bytes_that_claims_gigabytes_is_refused(head):
    with pytest.raises(PhotoError, match="megapixels"):
        read_photo(b"RIFF\x1a\0\0\0WEBP" + head + bytes(10))


@pytest.mark.parametrize("kind", ["TIFF", "WEBP", "HEIF"])
def test_what_a_decoding_process_may_hold_is_bounded(scene, kind):
    data = HEIC.read_bytes() if kind == "HEIF" else encoded(scene, kind)
    little = Limits(100, min_side_px=64, max_aspect=12, max_decode_mb=0.1, seconds=10, seconds_per_megapixel=1)
    with pytest.raises(Refused, match="memory"):
        decode_apart(data, kind, little)


def test_notes_of_a_megabyte_are_cut_or_left_out(scene):
    for length in (1_000_000, 3_000_000):
        exif = Image.Exif()
        exif[272] = "x" * length
        camera = read_photo(encoded(scene, "PNG", exif=exif)).exif.camera
        assert camera is None or len(camera) <= 100


def test_only_the_readers_of_photos_are_asked(scene, monkeypatch):
    """Pillow has some forty readers, and a photo may begin like none of the five that are wanted."""
    asked = []
    monkeypatch.setattr(
        Image, "open", lambda *_, formats, **__: asked.append(formats) or (_ for _ in ()).throw(OSError)
    )
    for data in (encoded(scene, "PNG"), encoded(scene, "JPEG"), b"P6 9 9 255 " + bytes(300), b"%!PS-Adobe"):
        with pytest.raises(PhotoError):
            read_photo(data)
    assert asked == [("PNG",), ("JPEG", "MPO")]


def test_millions_of_fill_bytes_are_passed_in_one_go():
    """A run of FF that ends in no marker; looked at anew from each of its bytes it would take hours."""
    fill = b"\xff" * 3_000_000 + b"\x00"
    assert list(_segments(b"\xff\xd8" + fill)) == []
    (found,) = _segments(b"\xff\xd8" + fill + b"\xff\xff\xfe\x00\x02\xff\xd9")
    assert found[0] == 0xFE
