"""Bytes of a photo to pixels and the camera's notes, strip by strip so that no second copy of a large picture is held.

:func:`main` does so in a process of its own, for the formats whose decoders may die of a damaged file
(:mod:`toeline.photo.apart`); such a process has to start quickly, so that what is heavy is loaded where it is used.
"""

from __future__ import annotations

import io
import json
import os
import sys
import warnings
from collections.abc import Callable, Iterator
from dataclasses import asdict, dataclass
from datetime import datetime
from typing import IO, Any, Literal, cast

import numpy as np
from numpy.typing import NDArray
from PIL import Image

from toeline.processes.limits import limit_memory, limit_processor_time

U8 = NDArray[np.uint8]
Kind = Literal["JPEG", "PNG", "WEBP", "TIFF", "HEIF"]
Why = Literal[
    "no_photo", "other_format", "damaged", "too_large", "too_small", "narrow", "scans", "memory", "time", "disk"
]

#: Exit status of a decoding process that could not write its pixels (sysexits.h, EX_IOERR).
NO_ROOM = 74
#: Pillow's readers that may open each kind, and what decoding takes in bytes a pixel beside Pillow's own picture:
#: buffers of the decoder at their largest, counted on files that ask for most.
_READERS: dict[Kind, tuple[str, ...]] = {
    "JPEG": ("JPEG", "MPO"),
    "PNG": ("PNG",),
    "WEBP": ("WEBP",),
    "TIFF": ("TIFF",),
    "HEIF": ("HEIF",),
}
_BUFFERS: dict[Kind, int] = {"JPEG": 0, "PNG": 0, "WEBP": 12, "TIFF": 4, "HEIF": 3}
_STRIP_PIXELS = 500_000
_EXIF_IFD = 0x8769
# EXIF tags (CIPA DC-008): Make, Model, Orientation; then of the EXIF IFD
_MAKE, _MODEL, _ORIENTATION = 271, 272, 274
_TAKEN, _TAKEN_OFFSET, _FOCAL, _ZOOM, _FOCAL_35, _LENS = 36867, 36881, 37386, 41988, 41989, 42036
#: No camera writes more than that; a name of a megabyte would go into every report.
_MOST_EXIF_BYTES = 2_000_000
_LONGEST_TEXT = 100
_ERRORS = (OSError, ValueError, SyntaxError, EOFError, LookupError, TypeError, RuntimeError, ArithmeticError)


@dataclass(frozen=True, slots=True)
class Exif:
    """What the camera noted; None where it did not. Focal lengths in mm, ``taken_at`` as ISO 8601 text."""

    taken_at: str | None = None
    camera: str | None = None
    lens: str | None = None
    focal_35mm: float | None = None
    focal_mm: float | None = None
    digital_zoom: float | None = None


@dataclass(frozen=True, slots=True)
class Limits:
    """What a photo may be and its decoding may cost."""

    max_megapixels: float
    min_side_px: int
    max_aspect: float
    max_decode_mb: float
    seconds: float
    seconds_per_megapixel: float


@dataclass(frozen=True, slots=True)
class Decoded:
    """The stored pixels (H, W, 3) BGR, not yet turned, the camera's notes and the EXIF orientation 1 to 8."""

    image: U8
    exif: Exif
    orientation: int


class Refused(Exception):
    """Why a file is not read; ``detail`` is what a sentence about it needs."""

    def __init__(self, why: Why, detail: str = "") -> None:
        super().__init__(why, detail)
        self.why, self.detail = why, detail


def decode(data: bytes, kind: Kind, limits: Limits, on_size: Callable[[float], None] | None = None) -> Decoded:
    """Decode a whole file of one kind; ``on_size`` is told how many seconds a picture of its size may take.

    Raises:
        Refused: damaged, or beyond a limit.
    """
    opened = _open(data, kind, limits)
    if on_size is not None:
        on_size(limits.seconds + limits.seconds_per_megapixel * opened.width * opened.height / 1e6)
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # Pillow warns of what is damaged beside the pixels
            image = np.empty((opened.height, opened.width, 3), np.uint8)
            if _is_plain_jpeg(opened, kind):
                _decode_jpeg(data, image)
            else:
                opened.load()
                _fill(image, opened)
            return Decoded(image, *_notes(opened))  # afterwards: Pillow turns some formats itself, then clears the tag
    except MemoryError as error:
        raise Refused("memory") from error
    except _ERRORS as error:
        raise Refused("damaged") from error


def _open(data: bytes, kind: Kind, limits: Limits) -> Image.Image:
    """The file's header as Pillow reads it, within the limits; no pixel is decoded yet."""
    if kind == "HEIF":
        import pi_heif  # only for phones that write HEIC: it costs time to load

        pi_heif.register_heif_opener()
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # Pillow's own size warning: the size is checked next
            opened = Image.open(io.BytesIO(data), formats=_READERS[kind])
    except Image.DecompressionBombError as error:
        raise Refused("too_large") from error
    except MemoryError as error:
        raise Refused("memory") from error
    except _ERRORS as error:
        raise Refused("damaged") from error
    width, height = opened.size
    pixels = width * height
    if pixels > limits.max_megapixels * 1_000_000:
        raise Refused("too_large")
    if min(width, height) < limits.min_side_px:
        raise Refused("too_small", f"{width} × {height}")
    if max(width, height) > limits.max_aspect * min(width, height):
        raise Refused("narrow", f"{width} × {height}")
    stored = 1 if opened.mode in ("1", "L", "P") else 2 if opened.mode.startswith("I;16") else 4
    if _is_plain_jpeg(opened, kind):
        stored = 0
    if pixels * (stored + 3 + _BUFFERS[kind]) > limits.max_decode_mb * 1_000_000:
        raise Refused("memory")
    return opened


def _is_plain_jpeg(opened: Image.Image, kind: Kind) -> bool:
    """Whether it is decoded straight into place, without a picture of Pillow's."""
    return kind == "JPEG" and opened.mode in ("L", "RGB")


def _decode_jpeg(data: bytes, into: U8) -> None:
    """Twice as fast as Pillow, and strict: OpenCV and Pillow pass a picture whose data is corrupt half way."""
    import simplejpeg  # type: ignore[import-untyped]

    if simplejpeg.decode_jpeg(data, colorspace="BGR", buffer=into).shape != into.shape:
        raise ValueError("two headers of different size")


def _fill(image: U8, opened: Image.Image) -> None:
    """The loaded pixels as 8 bit BGR."""
    deep = opened.mode == "F" or opened.mode.startswith("I")
    most = max(float(np.nanmax(np.asarray(strip, np.float32))) for _, strip in _strips(opened)) if deep else 255.0
    full = 1.0 if opened.mode == "F" and most <= 1 else 65535.0 if most > 255 else 255.0
    see_through = "A" in opened.getbands() or "transparency" in opened.info
    for rows, strip in _strips(opened):
        if deep:
            values = np.nan_to_num(np.asarray(strip, np.float32) * np.float32(255.0 / full))
            image[rows] = np.clip(np.rint(values), 0, 255)[..., None]
            continue
        if see_through:
            over = strip.convert("RGBA")  # pixels that cannot be seen may hold anything: white paper instead
            strip = Image.alpha_composite(Image.new("RGBA", over.size, "white"), over)
        image[rows] = np.asarray(strip.convert("RGB"))[..., ::-1]


def _strips(opened: Image.Image) -> Iterator[tuple[slice, Image.Image]]:
    step = max(1, _STRIP_PIXELS // opened.width)
    for top in range(0, opened.height, step):
        bottom = min(top + step, opened.height)
        strip = opened.crop((0, top, opened.width, bottom))
        strip.info = opened.info  # a transparent colour stands there
        yield slice(top, bottom), strip


def _notes(opened: Image.Image) -> tuple[Exif, int]:
    """EXIF and the orientation tag; damaged or huge EXIF counts as none, for the pixels may still be good."""
    if len(opened.info.get("exif") or b"") > _MOST_EXIF_BYTES:
        return Exif(), 1
    try:
        top = opened.getexif()
        inner = top.get_ifd(_EXIF_IFD)
        make, model = _text(top.get(_MAKE)), _text(top.get(_MODEL))
        if make and model and model.lower().startswith(make.lower()):
            make = None
        orientation = top.get(_ORIENTATION, 1)
        notes = Exif(
            taken_at=_time(_text(inner.get(_TAKEN)), _text(inner.get(_TAKEN_OFFSET))),
            camera=" ".join(part for part in (make, model) if part) or None,
            lens=_text(inner.get(_LENS)),
            focal_35mm=_positive(inner.get(_FOCAL_35)),
            focal_mm=_positive(inner.get(_FOCAL)),
            digital_zoom=_positive(inner.get(_ZOOM)),
        )
    except _ERRORS:
        return Exif(), 1
    return notes, orientation if orientation in range(1, 9) else 1


def _text(value: Any) -> str | None:
    if isinstance(value, bytes):
        value = value[: 4 * _LONGEST_TEXT].decode("utf-8", "replace")
    if not isinstance(value, str):
        return None
    return "".join(c for c in value[:_LONGEST_TEXT] if c.isprintable()).strip() or None


def _positive(value: Any) -> float | None:
    try:
        number = float(value)
    except (TypeError, ValueError, ArithmeticError):
        return None
    return number if 0 < number < 1e4 else None


def _time(taken: str | None, offset: str | None) -> str | None:
    """EXIF writes ``2024:05:17 10:31:02`` and the zone apart."""
    try:
        return datetime.strptime(f"{taken}{offset or ''}", f"%Y:%m:%d %H:%M:%S{'%z' if offset else ''}").isoformat()
    except ValueError:
        return _time(taken, None) if offset else None


def main() -> None:
    """Read a file from standard input; write a line of JSON and the pixels, or why not, to standard output."""
    kind, limits, beside_mb = cast(Kind, sys.argv[1]), Limits(*json.loads(sys.argv[2])), float(sys.argv[3])
    serve(sys.stdin.buffer.read(), kind, limits, beside_mb, sys.stdout.buffer)


def serve(data: bytes, kind: Kind, limits: Limits, beside_mb: float, out: IO[bytes]) -> None:
    """Decode in this process, which from now on holds and computes no more than it may."""
    limit_memory(limits.max_decode_mb + beside_mb)
    limit_processor_time(limits.seconds)
    said: dict[str, Any]
    try:
        decoded = decode(data, kind, limits, on_size=limit_processor_time)
        said = {"shape": decoded.image.shape, "exif": asdict(decoded.exif), "orientation": decoded.orientation}
        pixels = decoded.image.data
    except Refused as error:
        said, pixels = {"refused": [error.why, error.detail]}, memoryview(b"")
    try:
        out.write(json.dumps(said).encode() + b"\n")
        out.write(pixels)
        out.flush()
    except OSError:
        os._exit(NO_ROOM)
