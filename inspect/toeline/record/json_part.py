"""A part of a stored JSON text, taken out by the database itself: results are large, and lists need little of them."""

from __future__ import annotations

from typing import Any

from sqlalchemy import Text
from sqlalchemy.ext.compiler import compiles
from sqlalchemy.sql.compiler import SQLCompiler
from sqlalchemy.sql.functions import GenericFunction


class json_part(GenericFunction[str]):
    """``json_part(column, "$.judgement.beside")``: the text of that part; NULL where there is none."""

    type = Text()
    inherit_cache = True


@compiles(json_part, "sqlite")
def _sqlite(element: json_part, compiler: SQLCompiler, **more: Any) -> str:
    column, path = (compiler.process(each, **more) for each in element.clauses)
    return f"CASE WHEN json_valid({column}) THEN json_extract({column}, {path}) END"


@compiles(json_part, "postgresql")
def _postgresql(element: json_part, compiler: SQLCompiler, **more: Any) -> str:
    column, path = (compiler.process(each, **more) for each in element.clauses)
    return f"({column})::json #>> string_to_array(substr({path}, 3), '.')"
