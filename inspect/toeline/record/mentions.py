"""Where a text, or a photo's own data, names a person: whatever the case, the accents, the order, the Unicode form."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterator
from itertools import permutations

from toeline.errors import RecordError

#: Letters that Unicode does not take apart into a letter and an accent.
_PLAIN = str.maketrans({"ø": "o", "æ": "ae", "œ": "oe", "ł": "l", "đ": "d", "ð": "d", "þ": "th", "ħ": "h", "ı": "i"})
#: How some languages write these without the accent, and those spellings taken together with the bare letter.
_SPELT_OUT = str.maketrans({"ä": "ae", "ö": "oe", "ü": "ue", "å": "aa", "ø": "oe"})
_TAKEN_TOGETHER = re.compile("([aou])e|a(?=a)")
#: Names of more words than this are looked for in the order given and in the reverse.
_MOST_WORDS = 4
#: Letters from which a name can be told from chance in a file that is not taken apart.
_LEAST_LETTERS = 6
_APART = r"[\W_]{0,3}"
_NO_LETTER = rb"[\x00-\x40\x5b-\x60\x7b-\x7f]"


def folded(text: str) -> str:
    """``text`` without case and accents, its umlauts as one letter whether they are spelt out or not."""
    return _TAKEN_TOGETHER.sub(r"\1", _bare(text))


def _bare(text: str) -> str:
    text = text.casefold()
    if text.isascii():
        return text
    taken_apart = unicodedata.normalize("NFKD", text)
    return "".join(c for c in taken_apart if unicodedata.category(c) not in ("Mn", "Cf")).casefold().translate(_PLAIN)


class Mentions:
    """Finds one person's name. Raises ``RecordError`` where no name is given."""

    def __init__(self, name: str) -> None:
        words = _words(folded(name))
        if not words:
            raise RecordError("Give the person's name.")
        names = "|".join(_APART.join(map(re.escape, order)) for order in _orders(words))
        # digits may follow a name, letters may not: ada_brandt3.jpg names her, adalbert does not
        self._pattern = re.compile(rf"(?<![^\W\d_])(?:{names})(?![^\W\d_])")
        self._letters = sum(map(len, words))
        composed = unicodedata.normalize("NFC", name).casefold()
        spellings = dict.fromkeys((composed, composed.translate(_SPELT_OUT), _bare(name)))
        orders = [order for spelling in spellings for order in _orders(_words(spelling))]
        self._utf8 = _in_bytes(orders, "utf-8")
        self._utf16 = [_in_bytes(orders, one) for one in ("utf-16-le", "utf-16-be")]

    def in_text(self, text: str) -> bool:
        """Whether a text names the person."""
        return self._pattern.search(folded(text)) is not None

    def in_photo(self, data: bytes) -> tuple[tuple[int, int], ...]:
        """Where a photo file's own data (EXIF, XMP, comments) names the person: first and last byte past it."""
        parts = _jpeg_segments(data) if data.startswith(b"\xff\xd8") else [(0, len(data))]
        if not data.startswith(b"\xff\xd8") and self._letters < _LEAST_LETTERS:
            return ()
        found = {
            match.span()
            for start, end in parts
            for one in (self._utf8, *self._utf16)
            for match in one.finditer(data, start, end)
        }
        return tuple(sorted(found))

    def blanked(self, photo: bytes) -> bytes | None:
        """The photo with spaces in place of the name, everything else as it was; None where the file has check sums."""
        if photo.startswith(b"\x89PNG"):
            return None
        out = bytearray(photo)
        for start, end in self.in_photo(photo):
            # letters of two bytes keep their zero byte, and so their length
            out[start:end] = bytes(byte if byte == 0 else 0x20 for byte in photo[start:end])
        return bytes(out)


def _words(text: str) -> list[str]:
    return re.findall(r"[^\W_]+", text)


def _orders(words: list[str]) -> list[tuple[str, ...]]:
    if len(words) > _MOST_WORDS:
        return [tuple(words), tuple(reversed(words))]
    return list(dict.fromkeys(permutations(words)))


def _in_bytes(orders: list[tuple[str, ...]], encoding: str) -> re.Pattern[bytes]:
    zero_first, zero_last = encoding == "utf-16-be", encoding == "utf-16-le"
    no_letter = (rb"\x00" if zero_first else b"") + _NO_LETTER + (rb"\x00" if zero_last else b"")
    apart = b"(?:" + no_letter + b"){0,3}"
    before = rb"(?<![A-Za-z]\x00)" if zero_last else rb"(?<!\x00[A-Za-z])" if zero_first else rb"(?<![A-Za-z])"
    after = rb"(?![A-Za-z]\x00)" if zero_last else rb"(?!\x00[A-Za-z])" if zero_first else rb"(?![A-Za-z])"
    names = (apart.join(b"".join(_letter(c, encoding) for c in word) for word in order) for order in orders)
    return re.compile(before + b"(?:" + b"|".join(dict.fromkeys(names)) + b")" + after)


def _letter(letter: str, encoding: str) -> bytes:
    """A letter in either case and in both Unicode forms."""
    forms = {unicodedata.normalize(form, case) for case in (letter, letter.upper()) for form in ("NFC", "NFD")}
    encodings = {form.encode(encoding) for form in forms}
    if encoding == "utf-8":
        encodings |= {form.encode("latin-1") for form in forms if max(form) < "\u0100"}
    escaped: list[bytes] = sorted(map(re.escape, encodings), key=lambda one: -len(one))
    return b"(?:" + b"|".join(escaped) + b")"


def _jpeg_segments(data: bytes) -> Iterator[tuple[int, int]]:
    """The application segments and comments of a JPEG, and what follows its end: image data is left alone."""
    at = 2
    while at + 4 <= len(data) and data[at] == 0xFF and data[at + 1] not in (0xDA, 0xD9):
        length = int.from_bytes(data[at + 2 : at + 4], "big")
        if 0xE0 <= data[at + 1] <= 0xEF or data[at + 1] == 0xFE:
            yield at + 4, min(at + 2 + length, len(data))
        at += 2 + max(length, 2)
    end = data.rfind(b"\xff\xd9")
    if end >= at:
        yield end + 2, len(data)
