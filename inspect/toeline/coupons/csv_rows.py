"""Reading a short table that somebody typed: CSV as spreadsheets write it."""

from __future__ import annotations

import csv
import io

from toeline.errors import RubricError

#: At most this many rows and bytes: a class, not a data dump.
MOST_ROWS = 500
MOST_BYTES = 200_000


def read_rows(data: bytes, name: str) -> list[list[str]]:
    """The rows of a CSV file called ``name``, its header first.

    Comma, semicolon or tab between cells; UTF-8, with or without a byte order mark.

    Raises:
        RubricError: it is no such table, or longer than a class; the text names the line where there is one.
    """
    if len(data) > MOST_BYTES:
        raise RubricError(f"{name} is larger than {MOST_BYTES // 1000} kB; a class is a short table.")
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError:
        raise RubricError(f"{name} is not UTF-8 text; save it again as CSV in UTF-8.") from None
    header = text.split("\n", 1)[0]
    reader = csv.reader(io.StringIO(text), delimiter=max(",;\t", key=header.count), strict=True)
    try:
        rows = list(reader)
    except csv.Error as error:
        raise RubricError(f"{name}, line {reader.line_num}: this is not a CSV row ({error}).") from None
    if len(rows) - 1 > MOST_ROWS:
        raise RubricError(f"{name} has more than {MOST_ROWS} rows; split it.")
    return rows
