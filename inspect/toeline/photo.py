"""Read a photo: upright 8 bit colour pixels, the camera's EXIF notes and the digest of the original bytes."""

from __future__ import annotations

import hashlib
import io
import warnings
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import simplejpeg  # type: ignore[import-untyped]
from numpy.typing import NDArray
from PIL import Image, UnidentifiedImageError

from toeline.datafile import load
from toeline.errors import PhotoError

U8 = NDArray[np.uint8]

_FORMATS = ("JPEG", "MPO", "PNG", "TIFF", "WEBP", "HEIF")
_HEIF_BRANDS = (b"heic", b"heix", b"heim", b"heis", b"hevc", b"hevx", b"mif1", b"msf1")
_EXIF_IFD = 0x8769
# EXIF tags (CIPA DC-008): Make, Model, Orientation; then of the EXIF IFD
_MAKE, _MODEL, _ORIENTATION = 271, 272, 274
_TAKEN, _TAKEN_OFFSET, _FOCAL, _ZOOM, _FOCAL_35, _LENS = 36867, 36881, 37386, 41988, 41989, 42036
_TURNS = {3: cv2.ROTATE_180, 6: cv2.ROTATE_90_CLOCKWISE, 8: cv2.ROTATE_90_COUNTERCLOCKWISE}
_DECODE_ERRORS = (OSError, ValueError, SyntaxError, EOFError, IndexError, TypeError, MemoryError, RuntimeError)


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
class Photo:
    """A photo as it should be looked at: ``image`` (H, W, 3) BGR, upright; ``data`` the file's own bytes."""

    name: str
    sha256: str
    image: U8
    exif: Exif
    data: bytes

    @property
    def width(self) -> int:
        """Width in px."""
        return int(self.image.shape[1])

    @property
    def height(self) -> int:
        """Height in px."""
        return int(self.image.shape[0])


def read_photo(source: str | Path | bytes, name: str | None = None) -> Photo:
    """Read a JPEG, PNG, HEIC, TIFF or WebP photo from a path or from its bytes.

    Raises:
        PhotoError: no such file, empty, not a photo, damaged, or larger than data/photo.toml allows.
    """
    data, name = _bytes_of(source, name)
    with _open(data, name) as opened:
        _check_size(opened, name)
        image = _decode(opened, data, name)
        exif, orientation = _notes(opened)  # afterwards: Pillow turns some formats itself and then clears the tag
    return Photo(name, hashlib.sha256(data).hexdigest(), _upright(image, orientation), exif, data)


def _bytes_of(source: str | Path | bytes, name: str | None) -> tuple[bytes, str]:
    limit = load("photo.toml")["file"]["max_bytes"]
    if isinstance(source, bytes):
        data, name = source, name or "photo"
    else:
        path = Path(source)
        name = name or path.name
        try:
            size = path.stat().st_size
            data = path.read_bytes() if size <= limit else b""
        except OSError as error:
            raise PhotoError(f"{name} cannot be opened ({error.strerror}): check its name and place.") from error
        if size > limit:
            raise PhotoError(f"{name} is larger than {limit // 1_000_000} MB: send the photo as the phone stored it.")
    if not data:
        raise PhotoError(f"{name} is empty: copy the photo again.")
    if len(data) > limit:
        raise PhotoError(f"{name} is larger than {limit // 1_000_000} MB: send the photo as the phone stored it.")
    return data, name


def _open(data: bytes, name: str) -> Image.Image:
    """The file's header as Pillow reads it; no pixel is decoded yet."""
    if data[4:8] == b"ftyp" and data[8:12] in _HEIF_BRANDS:
        import pi_heif  # only for phones that write HEIC: it costs time to load

        pi_heif.register_heif_opener()
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # Pillow's own size warning: the size is checked next
            return Image.open(io.BytesIO(data), formats=None)
    except Image.DecompressionBombError as error:
        raise _too_large(name) from error
    except UnidentifiedImageError as error:
        raise PhotoError(f"{name} is not a photo: send a JPEG, PNG, HEIC, TIFF or WebP file.") from error
    except _DECODE_ERRORS as error:
        raise _damaged(name) from error


def _check_size(opened: Image.Image, name: str) -> None:
    limits = load("photo.toml")["file"]
    if opened.format not in _FORMATS:
        raise PhotoError(f"{name} is a {opened.format} file: send a JPEG, PNG, HEIC, TIFF or WebP photo.")
    width, height = opened.size
    if width * height > limits["max_megapixels"] * 1_000_000:
        raise _too_large(name)
    if min(width, height) < limits["min_side_px"]:
        raise PhotoError(f"{name} is only {width} × {height} pixels: send the original photo, not a thumbnail.")


def _too_large(name: str) -> PhotoError:
    limit = load("photo.toml")["file"]["max_megapixels"]
    return PhotoError(f"{name} has more than {limit} megapixels: take the photo in the phone's normal mode.")


def _damaged(name: str) -> PhotoError:
    return PhotoError(f"{name} is damaged or cut short: copy it again or take the photo again.")


def _notes(opened: Image.Image) -> tuple[Exif, int]:
    """EXIF and the orientation tag; damaged EXIF counts as none, for the pixels may still be good."""
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # Pillow warns of damaged EXIF
            top = opened.getexif()
            inner = top.get_ifd(_EXIF_IFD)
    except (*_DECODE_ERRORS, KeyError):
        return Exif(), 1
    make, model = _text(top.get(_MAKE)), _text(top.get(_MODEL))
    if make and model and model.lower().startswith(make.lower()):
        make = None
    orientation = top.get(_ORIENTATION, 1)
    return (
        Exif(
            taken_at=_time(_text(inner.get(_TAKEN)), _text(inner.get(_TAKEN_OFFSET))),
            camera=" ".join(part for part in (make, model) if part) or None,
            lens=_text(inner.get(_LENS)),
            focal_35mm=_positive(inner.get(_FOCAL_35)),
            focal_mm=_positive(inner.get(_FOCAL)),
            digital_zoom=_positive(inner.get(_ZOOM)),
        ),
        orientation if orientation in range(1, 9) else 1,
    )


def _text(value: Any) -> str | None:
    if isinstance(value, bytes):
        value = value.decode("utf-8", "replace")
    if not isinstance(value, str):
        return None
    return "".join(c for c in value if c.isprintable()).strip() or None


def _positive(value: Any) -> float | None:
    try:
        number = float(value)
    except (TypeError, ValueError, ZeroDivisionError):
        return None
    return number if 0 < number < 1e4 else None


def _time(taken: str | None, offset: str | None) -> str | None:
    """EXIF writes ``2024:05:17 10:31:02`` and the zone apart."""
    try:
        return datetime.strptime(f"{taken}{offset or ''}", f"%Y:%m:%d %H:%M:%S{'%z' if offset else ''}").isoformat()
    except ValueError:
        return _time(taken, None) if offset else None


def _decode(opened: Image.Image, data: bytes, name: str) -> U8:
    """The stored pixels as 8 bit BGR, not yet turned upright."""
    if opened.format in ("JPEG", "MPO") and opened.mode in ("L", "RGB"):
        # twice as fast as Pillow, and strict: OpenCV and Pillow pass a picture whose data is corrupt half way
        try:
            return np.asarray(simplejpeg.decode_jpeg(data, colorspace="BGR"), np.uint8)
        except ValueError as error:
            raise _damaged(name) from error
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            opened.load()
            return _eight_bit_bgr(opened)
    except _DECODE_ERRORS as error:
        raise _damaged(name) from error


def _eight_bit_bgr(opened: Image.Image) -> U8:
    if opened.mode == "F" or opened.mode.startswith("I"):
        values = np.asarray(opened, np.float64)
        full = 1.0 if opened.mode == "F" and values.max() <= 1 else 65535.0 if values.max() > 255 else 255.0
        grey = np.clip(np.rint(values * (255.0 / full)), 0, 255).astype(np.uint8)
        return np.repeat(grey[..., None], 3, axis=2)
    if "A" in opened.getbands() or "transparency" in opened.info:
        over = opened.convert("RGBA")  # pixels that cannot be seen may hold anything: white paper instead
        opened = Image.alpha_composite(Image.new("RGBA", over.size, "white"), over)
    rgb = np.asarray(opened.convert("RGB"), np.uint8)
    return np.ascontiguousarray(rgb[..., ::-1])


def _upright(image: U8, orientation: int) -> U8:
    """Apply the EXIF orientation (CIPA DC-008, tag 274); the only place where a photo is turned."""
    turned: NDArray[Any] = image
    if orientation in _TURNS:
        turned = cv2.rotate(image, _TURNS[orientation])
    elif orientation in (5, 7):
        turned = cv2.transpose(image)
    if orientation in (2, 4, 7):
        turned = cv2.flip(turned, {2: 1, 4: 0, 7: -1}[orientation])
    return np.asarray(turned, np.uint8)
