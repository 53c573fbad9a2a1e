"""Typesetting with Typst: data beside a template, never markup, to a tagged archival PDF."""

from __future__ import annotations

import json
import re
from collections.abc import Mapping, Sequence
from datetime import datetime
from pathlib import Path
from tempfile import TemporaryDirectory, gettempdir
from typing import Literal

import typst

from toeline.errors import ReportError

Paper = Literal["a4", "us-letter"]


def typeset(
    template: bytes,
    data: Mapping[str, object],
    sources: Mapping[str, bytes],
    made_at: datetime,
    standards: Sequence[typst.PDFStandard],
) -> bytes:
    """The PDF of a template that reads ``data.json`` and the files ``sources`` beside it; no request leaves.

    It uses the embedded fonts if they have every letter, else the system's too; a letter that no font has is written
    as its code point, since an archival PDF may not show an empty box. Raises ``ReportError`` where it cannot be set.
    """
    try:
        with TemporaryDirectory(prefix="toeline-typeset-") as folder:
            for name, content in {"main.typ": template, **sources}.items():
                (Path(folder) / name).write_bytes(content)
            return _compiled(Path(folder), json.dumps(data, ensure_ascii=False), made_at, standards)
    except OSError as error:
        raise ReportError(
            f"The PDF cannot be typeset, as the temporary folder {gettempdir()} cannot be written to "
            f"({error.strerror}): make room there."
        ) from error


def _compiled(folder: Path, text: str, made_at: datetime, standards: Sequence[typst.PDFStandard]) -> bytes:
    alone = True
    while True:
        (folder / "data.json").write_text(text, "utf-8")
        try:
            pdf = typst.compile(
                folder / "main.typ",
                root=folder,
                format="pdf",
                ignore_system_fonts=alone,
                pdf_standards=list(standards),
                timestamp=made_at.replace(microsecond=0),
            )
            return bytes(pdf)
        except typst.TypstError as error:
            missing = re.search(r'the text `"(.*?)"` could not be displayed', str(error), re.DOTALL)
            if missing is None:
                raise ReportError(f"The PDF could not be typeset: {str(error).splitlines()[0]}") from error
            text, alone = text if alone else _spelled_out(text, missing[1]), False


def _spelled_out(text: str, letters: str) -> str:
    """``text`` with letters that no font has written as their code points."""
    spelled = text
    for letter in set(letters):
        if ord(letter) > 126:
            spelled = spelled.replace(letter, f"[U+{ord(letter):04X}]")
    if spelled == text:
        raise ReportError("The PDF would hold a character that no font can show: remove it.")
    return spelled
