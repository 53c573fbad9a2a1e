"""Texts that may name a person: kept apart, so that they can be erased, the chain covering salted digests of them."""

from __future__ import annotations

from collections.abc import Mapping

from sqlalchemy import Connection

from toeline.record import chain
from toeline.record import tables as t


def commit(connection: Connection, subject: str, inspection: str, fields: Mapping[str, str | None]) -> dict[str, str]:
    """Store the personal fields that are there; gives their commitments for the chain."""
    commitments = {}
    for field, value in fields.items():
        if value is None:
            continue
        salt = chain.new_salt()
        commitments[field] = chain.commitment(salt, field, value)
        connection.execute(
            t.personal.insert().values(
                subject=subject,
                field=field,
                inspection_id=inspection,
                value=value,
                salt=salt,
                commitment=commitments[field],
            )
        )
    return commitments
