"""Who a coupon belongs to: from a roster, from a coded tag lying in the photo, or from the file's name."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import PurePath

import cv2

from toeline.coupons.by_bead import bead_of
from toeline.coupons.csv_rows import read_rows
from toeline.criteria import list_criteria
from toeline.errors import RubricError, SettingsError
from toeline.evidence.gauge import gauges
from toeline.geometry.card import card_spec
from toeline.photo import U8
from toeline.result import Settings, Welding
from toeline.settings import settings_from
from toeline.text import one_line

#: Tags are fiducials of the cards' own family; ids 0 to 7 are the cards' (data/card.toml), so tags start at 8.
FIRST_CODE = 8
LAST_CODE = 586
#: Settings that a column may say of each coupon alone.
_SETTINGS = ("electrode", "electrode_class", "current", "intended_width", "criteria")


@dataclass(frozen=True, slots=True)
class Roster:
    """Names by photo file (without its folder, lower case) and by tag code.

    ``said`` is what the other columns say of a coupon, by its file or code: what stands in the settings for it alone.
    """

    names: tuple[str, ...] = ()
    by_file: Mapping[str, str] = field(default_factory=dict)
    by_code: Mapping[int, str] = field(default_factory=dict)
    said: Mapping[str | int, Settings] = field(default_factory=dict)

    def name_for(self, file_name: str, code: int | None = None) -> str:
        """The name for a photo: by its tag, else by its file name, else the file name's own stem."""
        key = self._key(file_name, code)
        if isinstance(key, int):
            return self.by_code[key]
        return name_from_file(one_line(PurePath(file_name).name)) if key is None else self.by_file[key]

    def settings_for(self, file_name: str, code: int | None, class_settings: Settings) -> Settings:
        """The class's settings with what the roster says of this coupon in their place."""
        key = self._key(file_name, code)
        own = None if key is None else self.said.get(key)
        if own is None:
            return class_settings
        welding = class_settings.welding.model_copy(update=_stated(own.welding))
        rest = _stated(own.model_copy(update={"welding": Welding(), "gauge": ()}))
        gauge = (*class_settings.gauge, *own.gauge)
        return class_settings.model_copy(update={**rest, "welding": welding, "gauge": gauge})

    def _key(self, file_name: str, code: int | None) -> str | int | None:
        """Where this coupon stands in the roster: by its tag, else by its file."""
        if code is not None and code in self.by_code:
            return code
        name = one_line(PurePath(file_name).name)
        keys = (name, PurePath(name).stem, bead_of(name))
        return next((key.lower() for key in keys if key.lower() in self.by_file), None)


def _stated(model: Settings | Welding) -> dict[str, object]:
    """The fields of a model that differ from its defaults."""
    empty = type(model)()
    return {
        name: getattr(model, name) for name in type(model).model_fields if getattr(model, name) != getattr(empty, name)
    }


def name_from_file(file_name: str) -> str:
    """A readable name from a file name: its stem, underscores as spaces, ``ada_02.jpg`` as ``ada 02`` and ``ada
    above.jpg`` as ``ada``."""
    return one_line(bead_of(file_name).replace("_", " ")) or "photo"


def coupon_of(name: str) -> str:
    """The coupon a repeated photo belongs to: its name without a trailing number, ``ada 02`` as ``ada``."""
    return re.sub(r"[\s_-]*\(?\d+\)?$", "", name).strip() or name


#: A roster to start from: one learner by the photo's file, one by the tag's code.
EXAMPLE = """\
name,file,code,electrode,electrode_class,current,intended_width,criteria,undercut,overlap,pores,restarts,looked_by
Ada Berg,ada.jpg,,3.2,E7018,120,8,workmanship,none,none,0,none,Noor Holm
Bo Vik,,8,,,,,,,,,,
"""


def read_roster(data: bytes, name: str = "roster") -> Roster:
    """A roster from CSV with a header row: ``name`` and one or both of ``file`` and ``code``.

    Other columns say something of each coupon alone: ``electrode``, ``electrode_class``, ``current``,
    ``intended_width`` and ``criteria`` as the options of the command, and the looks by their names (``undercut``,
    ``pores``, ...; none, yes or a count) with ``looked_by``. A column of another name is left unread.

    Comma, semicolon or tab between cells; UTF-8, with or without a byte order mark. Raises RubricError with the line.
    """
    return _roster(read_rows(data, name), name)


def _roster(rows: Sequence[Sequence[str]], name: str) -> Roster:
    columns = [cell.strip().lower() for cell in rows[0]] if rows else []
    if "name" not in columns or not {"file", "code"} & set(columns):
        raise RubricError(f"{name}, line 1: the header must hold name and one or both of file and code.")
    names: list[str] = []
    by_file: dict[str, str] = {}
    by_code: dict[int, str] = {}
    said: dict[str | int, Settings] = {}
    for number, row in enumerate(rows[1:], start=2):
        if not any(one_line(cell) for cell in row):
            continue
        cells = dict(zip(columns, (one_line(cell) for cell in row), strict=False))
        who = cells.get("name", "")
        if not who:
            raise RubricError(f"{name}, line {number}: the name is missing.")
        file, code = cells.get("file", "").lower(), cells.get("code", "")
        if not file and not code:
            raise RubricError(f"{name}, line {number}: {who} has neither a file nor a code.")
        if file and by_file.setdefault(file, who) != who:
            raise RubricError(f"{name}, line {number}: the file {file} already belongs to {by_file[file]}.")
        if code:
            number_on_tag = _code(code, f"{name}, line {number}")
            if by_code.setdefault(number_on_tag, who) != who:
                raise RubricError(
                    f"{name}, line {number}: the code {code} already belongs to {by_code[number_on_tag]}."
                )
        own = _said(cells, f"{name}, line {number}")
        said |= {key: own for key in (file, int(code or 0)) if key and own is not None}
        names.append(who)
    if not names:
        raise RubricError(f"{name} holds no names.")
    return Roster(tuple(dict.fromkeys(names)), by_file, by_code, said)


def _said(cells: Mapping[str, str], where: str) -> Settings | None:
    """What a row says of its coupon beside its name, file and code."""
    given = {name: cells[name] for name in _SETTINGS if cells.get(name)}
    looks = [f"{name}={cells[name]}" for name, gauge in gauges().items() if gauge.question and cells.get(name)]
    if not given and not looks:
        return None
    sets = [one.id for one in list_criteria()] if "criteria" in given else []
    if "criteria" in given and given["criteria"] not in sets:
        raise RubricError(f"{where}: there are no criteria {given['criteria']!r}; known are {', '.join(sets)}.")
    try:
        current = float(given.pop("current").replace(",", ".")) if "current" in given else None
    except ValueError:
        raise RubricError(f"{where}: the current {cells['current']!r} is no number of amperes.") from None
    try:
        return settings_from(**given, current=current, looked=looks, looked_by=cells.get("looked_by"))  # type: ignore[arg-type]
    except SettingsError as error:
        raise RubricError(f"{where}: {error}") from None


def _code(text: str, where: str) -> int:
    if not text.isdecimal() or not FIRST_CODE <= int(text) <= LAST_CODE:
        raise RubricError(f"{where}: the code {text!r} must be a number from {FIRST_CODE} to {LAST_CODE}.")
    return int(text)


def coupon_code(image: U8) -> int | None:
    """The code of the one tag lying in an upright photo (H, W, 3), or None where there is none or more than one."""
    parameters = cv2.aruco.DetectorParameters()
    parameters.useAruco3Detection = True
    parameters.minSideLengthCanonicalImg = 32
    parameters.minMarkerLengthRatioOriginalImg = 0.01
    dictionary = cv2.aruco.getPredefinedDictionary(card_spec().dictionary)
    _, ids, _ = cv2.aruco.ArucoDetector(dictionary, parameters).detectMarkers(cv2.cvtColor(image, cv2.COLOR_BGR2GRAY))
    codes = set() if ids is None else {int(one) for one in ids.ravel() if one >= FIRST_CODE}
    return codes.pop() if len(codes) == 1 else None


def tag_picture(code: int, side_px: int) -> U8:
    """The tag for a code as black on white, (side_px, side_px), without its white rim."""
    dictionary = cv2.aruco.getPredefinedDictionary(card_spec().dictionary)
    return cv2.aruco.generateImageMarker(dictionary, code, side_px)  # type: ignore[return-value]
