"""Schema versions of the store, and the way from one to the next (Alembic)."""

from __future__ import annotations

from pathlib import Path

from sqlalchemy import Connection, inspect, text

from toeline.errors import RecordError

#: The version this toeline reads and writes; the newest file in ``versions``.
HEAD = "0006"

#: Every version this toeline knows, oldest first.
KNOWN = ("0001", "0002", "0003", "0004", "0005", "0006")


def version_of(connection: Connection) -> str | None:
    """The schema version found, or None in an empty database."""
    if not inspect(connection).has_table("alembic_version"):
        return None
    return connection.execute(text("select version_num from alembic_version")).scalar()


def migrate(connection: Connection, to: str = HEAD) -> None:
    """Bring the database up to version ``to``, inside the transaction that ``connection`` is in.

    Raises ``RecordError`` where the database is newer than this toeline, or is no toeline store.
    """
    found = version_of(connection)
    if found == to:
        return
    if found is None and inspect(connection).get_table_names():
        raise RecordError("This database holds other tables; give the record a database of its own.")
    if found is not None and found not in KNOWN:
        raise RecordError(
            f"This record was written by a newer toeline (schema {found}, this one knows up to {HEAD}): "
            "install the newer toeline to open it."
        )
    from alembic import command  # 0.3 s to import, and hardly ever needed
    from alembic.config import Config

    config = Config()
    config.set_main_option("script_location", str(Path(__file__).parent).replace("%", "%%"))
    config.set_main_option("path_separator", "os")
    config.attributes["connection"] = connection
    command.upgrade(config, to)
