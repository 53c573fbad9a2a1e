"""Read a photo: upright 8 bit colour pixels, the camera's EXIF notes and the digest of the original bytes."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass, fields
from pathlib import Path
from typing import Any, assert_never

import numpy as np
from numpy.typing import NDArray

from toeline.errors import PhotoError
from toeline.photo.apart import decode_apart
from toeline.photo.decoder import U8, Exif, Kind, Limits, Refused, decode
from toeline.photo.figures import PhotoFigures
from toeline.photo.header import check_header, kind_of
from toeline.text import shown_name

#: What is decoded in this process; the other decoders may die of a damaged file.
_HERE: tuple[Kind, ...] = ("JPEG", "PNG")


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
        PhotoError: no such file, empty, not a photo, damaged, or larger or dearer to decode than data/photo.toml
            allows.
    """
    data, name = _bytes_of(source, name)
    try:
        kind = kind_of(data)
        check_header(data, kind)
        decoded = (decode if kind in _HERE else decode_apart)(data, kind, _limits())
    except Refused as refused:
        raise PhotoError(_sentence(refused, name)) from refused
    image = _upright(decoded.image, decoded.orientation)
    return Photo(name, hashlib.sha256(data).hexdigest(), image, decoded.exif, data)


def _limits() -> Limits:
    file = PhotoFigures.read().file
    return Limits(**{limit.name: getattr(file, limit.name) for limit in fields(Limits)})


def _sentence(refused: Refused, name: str) -> str:
    """What is wrong with a file and what to do."""
    match refused.why:
        case "no_photo":
            return f"{name} is not a photo: send a JPEG, PNG, HEIC, TIFF or WebP file."
        case "other_format":
            return f"{name} is a {refused.detail} file: send a JPEG, PNG, HEIC, TIFF or WebP photo."
        case "too_large":
            limit = PhotoFigures.read().file.max_megapixels
            return f"{name} has more than {limit} megapixels: take the photo in the phone's normal mode."
        case "too_small":
            return f"{name} is only {refused.detail} pixels: send the original photo, not a thumbnail."
        case "narrow":
            return f"{name} is a strip of {refused.detail} pixels: send a photo that shows the bead and its plate."
        case "scans":
            return f"{name} is a JPEG of more scans than any camera writes: send the photo as the phone stored it."
        case "memory":
            return f"{name} takes too much memory to decode in this format: send it as JPEG, or with fewer pixels."
        case "time":
            return f"{name} takes longer to decode than any photo of its size: send the photo as the phone stored it."
        case "disk":
            return f"{name} cannot be decoded, as there is no room in the temporary folder: free some and try again."
        case "damaged":
            return f"{name} is damaged or cut short: copy it again or take the photo again."
    assert_never(refused.why)


def _bytes_of(source: str | Path | bytes, name: str | None) -> tuple[bytes, str]:
    limit = PhotoFigures.read().file.max_bytes
    if isinstance(source, bytes):
        data, name = source, name or "photo"
    else:
        path = Path(source)
        name = name or shown_name(path)
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


def _upright(image: U8, orientation: int) -> U8:
    """Apply the EXIF orientation (CIPA DC-008, tag 274); the only place where a photo is turned."""
    if orientation == 1:
        return image
    import cv2  # a decoding process, which turns nothing, starts quicker without it

    turned: NDArray[Any] = image
    turns = {3: cv2.ROTATE_180, 6: cv2.ROTATE_90_CLOCKWISE, 8: cv2.ROTATE_90_COUNTERCLOCKWISE}
    if orientation in turns:
        turned = cv2.rotate(image, turns[orientation])
    elif orientation in (5, 7):
        turned = cv2.transpose(image)
    if orientation in (2, 4, 7):
        turned = cv2.flip(turned, {2: 1, 4: 0, 7: -1}[orientation])
    return np.asarray(turned, np.uint8)
