"""Photo files of every format, damaged at random but repeatably."""

from __future__ import annotations

import io
from functools import cache
from pathlib import Path

import cv2
import numpy as np
from PIL import Image

_HEIC = Path(__file__).resolve().parents[1] / "data" / "small.heic"
#: Numbers that sizes and counts are set to.
_EXTREMES = (0, 1, 0x7F, 0x80, 0xFF, 0x7FFF, 0x8000, 0xFFFF, 0x7FFFFFFF, 0x80000000, 0xFFFFFFFF)


def damaged(number: int) -> tuple[str, bytes]:
    """File ``number`` of an endless row: the format it was made from and its bytes; the same on every machine."""
    random = np.random.default_rng(number)
    seeds = whole_files()
    name = sorted(seeds)[number % len(seeds)]
    data = bytearray(seeds[name])
    for _ in range(int(random.choice([1, 1, 1, 2, 4, 8]))):
        data = _HARM[int(random.integers(len(_HARM)))](data, random)
    return name, bytes(data)


def _near_the_start(data: bytearray, random: np.random.Generator) -> int:
    """A place, most often in the headers, where a byte does most."""
    reach = len(data) if random.random() < 0.4 else min(len(data), 600)
    return int(random.integers(max(reach, 1)))


def _flip_bit(data: bytearray, random: np.random.Generator) -> bytearray:
    if data:
        data[_near_the_start(data, random)] ^= 1 << int(random.integers(8))
    return data


def _set_byte(data: bytearray, random: np.random.Generator) -> bytearray:
    if data:
        data[_near_the_start(data, random)] = int(random.integers(256))
    return data


def _set_number(data: bytearray, random: np.random.Generator) -> bytearray:
    """A size or a count at an extreme."""
    at, size = _near_the_start(data, random), int(random.choice([2, 4]))
    number = int(random.choice(_EXTREMES)) & (256**size - 1)
    data[at : at + size] = number.to_bytes(size, "big" if random.random() < 0.5 else "little")
    return data


def _cut_off(data: bytearray, random: np.random.Generator) -> bytearray:
    return data[: int(random.integers(len(data) + 1))]


def _cut_out(data: bytearray, random: np.random.Generator) -> bytearray:
    at = _near_the_start(data, random)
    del data[at : at + int(random.integers(1, 200))]
    return data


def _repeat(data: bytearray, random: np.random.Generator) -> bytearray:
    """A piece many times over, as scans, frames, strips and tags may be."""
    at = _near_the_start(data, random)
    piece = data[at : at + int(random.integers(1, 2000))]
    times = min(int(2 ** random.uniform(1, 12)), 2_000_000 // max(len(piece), 1) + 1)
    return data[:at] + piece * times + data[at:]


def _overwrite(data: bytearray, random: np.random.Generator) -> bytearray:
    at, size = _near_the_start(data, random), int(random.integers(1, 300))
    kind = int(random.integers(3))
    data[at : at + size] = random.bytes(size) if kind == 0 else bytes([0xFF if kind == 1 else 0]) * size
    return data


def _swap(data: bytearray, random: np.random.Generator) -> bytearray:
    """The end of one file behind the start of another."""
    seeds = whole_files()
    other = seeds[sorted(seeds)[int(random.integers(len(seeds)))]]
    return data[: _near_the_start(data, random)] + other[int(random.integers(len(other))) :]


def _insert(data: bytearray, random: np.random.Generator) -> bytearray:
    at = _near_the_start(data, random)
    return data[:at] + random.bytes(int(random.integers(1, 300))) + data[at:]


_HARM = (_flip_bit, _set_byte, _set_number, _set_number, _cut_off, _cut_out, _repeat, _overwrite, _swap, _insert)


@cache
def whole_files() -> dict[str, bytes]:
    """A small good file of each kind that toeline reads, with the camera's notes where the format holds them."""
    y, x = np.mgrid[0:90, 0:120]
    colour = np.stack([255 - x, y * 2, x], axis=-1).astype(np.uint8)
    rgb = Image.fromarray(colour)
    grey = rgb.convert("L")
    deep = Image.fromarray(np.asarray(grey).astype(np.uint16) * 257)
    alpha = rgb.convert("RGBA")
    exif = Image.Exif()
    exif[271], exif[272], exif[274] = "Demo", "Demo Phone", 6
    inner = exif.get_ifd(0x8769)
    inner[36867], inner[41989], inner[37386] = "2026:03:21 10:40:00", 26, 4.25
    files = {
        "jpeg": _saved(rgb, "JPEG", exif=exif),
        "jpeg progressive": _saved(rgb, "JPEG", exif=exif, progressive=True),
        "jpeg grey": _saved(grey, "JPEG"),
        "jpeg cmyk": _saved(rgb.convert("CMYK"), "JPEG"),
        "jpeg 4:4:4": _saved(rgb, "JPEG", subsampling=0, restart_marker_rows=1),
        "mpo": _saved(rgb, "MPO", save_all=True, append_images=[rgb]),
        "png": _saved(rgb, "PNG", exif=exif),
        "png palette": _saved(rgb.quantize(16), "PNG", transparency=3),
        "png 16 bit": _saved(deep, "PNG"),
        "png alpha": _saved(alpha, "PNG"),
        "png animated": _saved(rgb, "PNG", save_all=True, append_images=[grey.convert("RGB")]),
        "png deep colour": cv2.imencode(".png", colour.astype(np.uint16) * 257)[1].tobytes(),
        "tiff": _saved(rgb, "TIFF", exif=exif),
        "tiff 16 bit": _saved(deep, "TIFF"),
        "tiff float": _saved(Image.fromarray(np.asarray(grey, np.float32) / 255), "TIFF"),
        "tiff cmyk": _saved(rgb.convert("CMYK"), "TIFF"),
        "tiff two pages": _saved(rgb, "TIFF", save_all=True, append_images=[rgb.rotate(90)]),
        "webp": _saved(rgb, "WEBP", exif=exif),
        "webp lossless": _saved(alpha, "WEBP", lossless=True),
        "webp animated": _saved(rgb, "WEBP", save_all=True, append_images=[alpha.convert("RGB").rotate(90)]),
        "heic": _HEIC.read_bytes(),
    }
    for packing in ("tiff_lzw", "tiff_adobe_deflate", "jpeg", "packbits"):
        files[f"tiff {packing}"] = _saved(rgb, "TIFF", compression=packing)
    files["tiff group4"] = _saved(grey.convert("1"), "TIFF", compression="group4")
    return files


def _saved(image: Image.Image, form: str, **options: object) -> bytes:
    out = io.BytesIO()
    image.save(out, form, **options)
    return out.getvalue()
