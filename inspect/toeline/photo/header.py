"""What a photo file says of itself, read byte by byte before any decoder sees it: its kind, its size, its cost.

Decoders believe their input. A file may claim a picture of gigabytes in a few bytes, or hold thousands of scans; what
no camera writes is refused here.
"""

from __future__ import annotations

import re
from collections.abc import Iterator

from toeline.photo.decoder import Kind, Refused
from toeline.photo.figures import PhotoFigures

_HEIF_BRANDS = (b"heic", b"heix", b"heim", b"heis", b"hevc", b"hevx", b"mif1", b"msf1")
_TIFF_STARTS = (b"II*\0", b"MM\0*", b"II+\0", b"MM\0+")
#: What people send by mistake, to be called by its name.
_NO_PHOTOS = {b"GIF8": "GIF", b"BM": "BMP", b"%PDF": "PDF", b"PK\x03\x04": "ZIP"}

# JPEG (ISO/IEC 10918-1, table B.1)
# after entropy-coded data; 0 is stuffing, D0 to D7 are restarts; fill bytes before a marker need no match of their own,
# and looking for runs of them would take the square of their number
_MARKER = re.compile(rb"\xff[^\x00\xff\xd0-\xd7]")
_SOS, _EOI = 0xDA, 0xD9
_FRAMES = frozenset((*range(0xC0, 0xC4), *range(0xC5, 0xC8), *range(0xC9, 0xCC), *range(0xCD, 0xD0)))
_MOST_SEGMENTS = 10_000


def kind_of(data: bytes) -> Kind:
    """Which of the formats a file is, by its first bytes.

    Raises:
        Refused: none of them.
    """
    if data.startswith(b"\xff\xd8\xff"):
        return "JPEG"
    if data.startswith(b"\x89PNG\r\n\x1a\n"):
        return "PNG"
    if data[:4] == b"RIFF" and data[8:12] == b"WEBP":
        return "WEBP"
    if data.startswith(_TIFF_STARTS):
        return "TIFF"
    if data[4:8] == b"ftyp" and data[8:12] in _HEIF_BRANDS:
        return "HEIF"
    other = "AVIF" if data[4:12] == b"ftypavif" else next((n for s, n in _NO_PHOTOS.items() if data.startswith(s)), "")
    raise Refused("other_format" if other else "no_photo", other)


def check_header(data: bytes, kind: Kind) -> None:
    """Refuse what no camera writes and a decoder would choke on.

    Raises:
        Refused: too many scans, more pixels than the limits allow, or more memory; item types that are no text.
    """
    limits = PhotoFigures.read().file
    if kind == "JPEG":
        _check_jpeg(data, limits.max_scans, limits.max_decode_mb * 1_000_000)
    elif kind == "WEBP":
        width, height = _webp_canvas(data)
        if width * height > limits.max_megapixels * 1_000_000:
            raise Refused("too_large")
    elif kind == "HEIF":
        _check_items(data)


def _check_jpeg(data: bytes, most_scans: int, most_bytes: int) -> None:
    """A JPEG of several scans is unpacked only after the last, so that all its coefficients are held, 2 bytes each."""
    scans, coefficients, pixels = 0, 0.0, 0
    for marker, at, end in _segments(data):
        if marker == _SOS:
            scans += 1
            if scans > most_scans:
                raise Refused("scans")
        elif marker in _FRAMES and len(frame := data[at:end]) >= 6:
            pixels, coefficients = _frame(frame)
    if scans > 1 and 2 * coefficients + 3 * pixels > most_bytes:
        raise Refused("memory")


def _segments(data: bytes) -> Iterator[tuple[int, int, int]]:
    """Marker, start and end of the content of each segment of the first picture, up to its end."""
    at = 2
    for _ in range(_MOST_SEGMENTS):
        found = _MARKER.search(data, at)
        if found is None or data[found.end() - 1] == _EOI:
            return
        start = found.end()
        length = int.from_bytes(data[start : start + 2])
        yield data[start - 1], start + 2, start + length
        at = start + max(length, 2)
    raise Refused("damaged")


def _frame(content: bytes) -> tuple[int, float]:
    """Pixels of a frame header, and its coefficients: each component has its own sampling."""
    height, width = int.from_bytes(content[1:3]), int.from_bytes(content[3:5])
    sampling = [(byte >> 4, byte & 15) for byte in content[7 : 6 + 3 * content[5] : 3]]
    most = max((h for h, _ in sampling), default=1) * max((v for _, v in sampling), default=1)
    return width * height, width * height * sum(h * v for h, v in sampling) / max(most, 1)


def _webp_canvas(data: bytes) -> tuple[int, int]:
    """Width and height of the first chunk of a WebP file (RFC 9649); nothing where it is cut short."""
    chunk, content = data[12:16], data[20:30]
    if chunk == b"VP8X":
        return 1 + int.from_bytes(content[4:7], "little"), 1 + int.from_bytes(content[7:10], "little")
    if chunk == b"VP8L":
        bits = int.from_bytes(content[1:5], "little")
        return 1 + (bits & 0x3FFF), 1 + (bits >> 14 & 0x3FFF)
    return int.from_bytes(content[6:8], "little") & 0x3FFF, int.from_bytes(content[8:10], "little") & 0x3FFF


def _check_items(data: bytes) -> None:
    """Items of a HEIF file (ISO/IEC 14496-12, ``infe``) name their type in four letters."""
    for box, at, end in _boxes(data, 0, len(data)):
        if box != b"meta":
            continue
        for inner, inner_at, inner_end in _boxes(data, at + 4, end):
            if inner == b"iinf":
                wide = data[inner_at] != 0 if inner_at < inner_end else False
                for entry, entry_at, entry_end in _boxes(data, inner_at + (8 if wide else 6), inner_end):
                    _check_item(entry, data[entry_at:entry_end])


def _check_item(box: bytes, content: bytes) -> None:
    version = content[0] if content else 0
    if box != b"infe" or version < 2:
        return
    named = content[8:12] if version == 2 else content[10:14]
    if len(named) < 4 or not all(32 <= byte < 127 for byte in named):
        raise Refused("damaged")


def _boxes(data: bytes, at: int, end: int) -> Iterator[tuple[bytes, int, int]]:
    """Type, start and end of the content of each box between two places."""
    for _ in range(_MOST_SEGMENTS):
        if at + 8 > end:
            return
        size, head = int.from_bytes(data[at : at + 4]), 8
        if size == 1:
            size, head = int.from_bytes(data[at + 8 : at + 16]), 16
        size = size or end - at
        if size < head or at + size > end:
            return  # cut short, or what a phone writes after the picture
        yield data[at + 4 : at + 8], at + head, at + size
        at += size
