"""Help that says what to type in place of a programmer's types."""

from __future__ import annotations

from typing import Any

import typer
from typer.core import TyperArgument

#: What stands for a type in the help.
_WORDS = {"int": "N", "float": "NUMBER", "Path": "FILE", "str": "TEXT"}


def plain(command: Any) -> Any:
    """The same command, and those below it, each option with a word for what it takes, and nothing for a switch."""
    for parameter in (*command.params, command.get_help_option(typer.Context(command))):
        described = parameter.type_descriptor
        if described.is_choice:
            continue
        if isinstance(parameter, TyperArgument):  # its name says what it is
            vars(parameter)["display_type_rich"] = lambda ctx: ""
        elif parameter.metavar is None:
            kind = next((word for name, word in _WORDS.items() if name in parameter.bare_type()), "TEXT")
            parameter.metavar = "" if parameter.is_flag else kind
    for below in getattr(command, "commands", {}).values():
        plain(below)
    return command
