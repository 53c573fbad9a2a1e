"""A receipt: how far the record had come at a time, to be kept away from it, on paper or in a mailbox.

A chain cannot show that its newest entries were cut off, nor that all of it was written anew. A receipt kept elsewhere
shows both: the entry it names must still be there, with that digest.
"""

from __future__ import annotations

import re
from typing import Self

from pydantic import ValidationError

from toeline.errors import RecordError
from toeline.record.chain import canonical
from toeline.record.signing import verifies
from toeline.result import Model

_LINES = {
    "record": "Record",
    "made_at": "Made at",
    "entries": "Entries",
    "head": "Head",
    "key": "Key",
    "signature": "Signature",
}


class Receipt(Model):
    """``entries`` is the number of the newest entry and ``head`` its digest; ``key`` and ``signature`` may be blank."""

    record: str
    made_at: str
    entries: int
    head: str
    key: str = ""
    signature: str = ""

    @property
    def message(self) -> bytes:
        """What the signature is made of."""
        return canonical(
            {"what": "toeline.receipt/1", **self.model_dump(include={"record", "made_at", "entries", "head"})}
        )

    @property
    def genuine(self) -> bool:
        """Whether it bears no signature, or one of the key that it names."""
        return not self.signature or verifies(self.key, self.signature, self.message)

    def text(self) -> str:
        """The receipt to print or mail."""
        lines = [f"{label + ':':<11}{value}" for name, label in _LINES.items() if (value := getattr(self, name)) != ""]
        return "\n".join(
            (
                "toeline record, receipt",
                "",
                *lines,
                "",
                "Keep it away from the record. Whether the record still holds all that it held then:",
                "toeline record check --receipt THIS_FILE",
                "",
            )
        )

    @classmethod
    def read(cls, text: str) -> Self:
        """The receipt in a text. Raises ``RecordError`` where there is none."""
        said = {
            name: found[1]
            for name, label in _LINES.items()
            if (found := re.search(rf"^[> ]*{label}:[ \t]*(\S+)\s*?$", text, re.MULTILINE))
        }
        try:
            return cls.model_validate_json(canonical(said | {"entries": int(said.get("entries", ""))}))
        except (ValidationError, ValueError):
            raise RecordError("This is no receipt of a toeline record: give the text as it was written.") from None
