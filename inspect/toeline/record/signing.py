"""Ed25519 signatures of the chain's entries, by a key that lies outside the record.

Whoever can write to the database alone cannot rewrite the chain unseen: each entry's signature covers its digest, and
so all before it. Whoever holds the key can; and entries cut off the end leave no trace here: see ``receipt``.
"""

from __future__ import annotations

import os
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from sqlalchemy import Connection, func, select

from toeline.errors import RecordError
from toeline.record import chain
from toeline.record import tables as t
from toeline.record.chain import EntryKind, canonical

if TYPE_CHECKING:
    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey, Ed25519PublicKey

#: The public key, the first entry that it signed, and the signature.
Signature = tuple[str, int, str]

#: The name of the key's file in the configuration folder.
FILE = "record-key.pem"


def own_key() -> Path:
    """Where this user's key lies unless told otherwise: ``TOELINE_KEY``, else the XDG configuration folder."""
    if named := os.environ.get("TOELINE_KEY"):
        return Path(named).expanduser()
    return Path(os.environ.get("XDG_CONFIG_HOME") or Path.home() / ".config") / "toeline" / FILE


def make_key(path: Path) -> tuple[Path, str]:
    """Write a new key for its owner's eyes only, and its public half beside it; gives that file and the key's name.

    Raises ``RecordError`` where there is a file already: a key that is lost can sign no more.
    """
    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey
    from cryptography.hazmat.primitives.serialization import Encoding, NoEncryption, PrivateFormat, PublicFormat

    key, public = Ed25519PrivateKey.generate(), path.with_name(f"{path.stem}.public.pem")
    written: list[Path] = []
    try:
        path.parent.mkdir(parents=True, exist_ok=True, mode=0o700)
        for file, mode, data in (
            (path, 0o600, key.private_bytes(Encoding.PEM, PrivateFormat.PKCS8, NoEncryption())),
            (public, 0o644, key.public_key().public_bytes(Encoding.PEM, PublicFormat.SubjectPublicKeyInfo)),
        ):
            with open(os.open(file, os.O_WRONLY | os.O_CREAT | os.O_EXCL, mode), "wb") as out:
                written.append(file)
                out.write(data)
                out.flush()
                os.fsync(out.fileno())
    except FileExistsError as error:
        for file in written:
            file.unlink(missing_ok=True)
        raise RecordError(f"There is a key {error.filename} already: keep it, or name another file.") from None
    except OSError as error:
        for file in written:
            file.unlink(missing_ok=True)
        raise RecordError(f"The key {path} cannot be written: {error.strerror}.") from error
    return public, _name(key.public_key())


class Signer:
    """Signs entries with one private key."""

    def __init__(self, key: Ed25519PrivateKey) -> None:
        self._key = key
        self.name = _name(key.public_key())

    @classmethod
    def at(cls, path: Path) -> Signer:
        """The key in a PEM file. Raises ``RecordError`` where there is none."""
        from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey

        key = _loaded(path)
        if not isinstance(key, Ed25519PrivateKey):
            raise RecordError(f"{path} holds a public key, which cannot sign: name the private one.")
        return cls(key)

    def sign(self, message: bytes) -> str:
        """The signature in hex."""
        return self._key.sign(message).hex()


def append(connection: Connection, signer: Signer | None, at: str, kind: EntryKind, subject: str, content: str) -> None:
    """Add an entry at the chain's end, signed where there is a key."""
    seq, digest = chain.append(connection, at, kind, subject, content)
    if signer is not None:
        sign_entry(connection, signer, seq, digest)


def sign_entry(connection: Connection, signer: Signer, seq: int, digest: str) -> None:
    """Sign an entry that is not signed yet, and so all before it."""
    if not connection.execute(select(t.signature.c.seq).where(t.signature.c.seq == seq)).first():
        first = connection.execute(select(func.min(t.signature.c.seq)).where(t.signature.c.key == signer.name)).scalar()
        since = first or seq
        value = signer.sign(entry_message(seq, digest, since))
        connection.execute(t.signature.insert().values(seq=seq, key=signer.name, since=since, value=value))


def key_name(path: Path) -> str:
    """The public key in a PEM file of either half, in hex. Raises ``RecordError`` where there is none."""
    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey

    key = _loaded(path)
    return _name(key.public_key() if isinstance(key, Ed25519PrivateKey) else key)


def verifies(key: str, signature: str, message: bytes) -> bool:
    """Whether the public key ``key``, in hex, made this signature."""
    from cryptography.exceptions import InvalidSignature
    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PublicKey

    try:
        Ed25519PublicKey.from_public_bytes(bytes.fromhex(key)).verify(bytes.fromhex(signature), message)
    except (InvalidSignature, ValueError):
        return False
    return True


def entry_message(seq: int, digest: str, since: int) -> bytes:
    """What the signature of an entry is made of; ``since`` is the first entry that its key signed."""
    return canonical({"what": "toeline.entry/1", "seq": seq, "digest": digest, "since": since})


def check_signatures(
    digests: Mapping[int, str], signatures: Mapping[int, Signature], keys: Sequence[str]
) -> Iterator[tuple[str, str]]:
    """What is wrong with the signatures, as (where, what): ``digests`` and ``signatures`` by entry.

    From the first entry on that one of ``keys`` signed, every entry must be signed by one of them. Without keys the
    signatures are held against the keys that stand beside them, which shows damage and no forgery.
    """
    for seq, (key, since, value) in sorted(signatures.items()):
        if seq not in digests:
            yield f"signature {seq}", "It signs an entry that is not there."
        elif not verifies(key, value, entry_message(seq, digests[seq], since)):
            yield f"entry {seq}", "Its signature is not of this entry: the entry or the signature was changed."
        elif keys and key not in keys:
            yield f"entry {seq}", f"It is signed by another key ({key[:16]})."
        elif since not in signatures:
            yield f"entry {since}", "It is not signed any more: entries after it say that it was."
    own = {seq for seq, (key, *_) in signatures.items() if not keys or key in keys}
    if keys and digests and not own:
        yield "signatures", "No entry is signed by this key: the signatures were taken away, or it is another record's."
    for seq in sorted(digests):
        if own and seq > min(own) and seq not in signatures:
            yield f"entry {seq}", "It is not signed, and entries before it are."


def _loaded(path: Path) -> Ed25519PrivateKey | Ed25519PublicKey:
    from cryptography.exceptions import UnsupportedAlgorithm
    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey, Ed25519PublicKey
    from cryptography.hazmat.primitives.serialization import load_pem_private_key, load_pem_public_key

    try:
        data = path.read_bytes()
    except OSError as error:
        raise RecordError(f"The key {path} cannot be read: {error.strerror}.") from error
    try:
        private = b"PRIVATE KEY" in data
        key = load_pem_private_key(data, None) if private else load_pem_public_key(data)
    except (ValueError, TypeError, UnsupportedAlgorithm):
        key = None
    if not isinstance(key, Ed25519PrivateKey | Ed25519PublicKey):
        raise RecordError(f"{path} holds no Ed25519 key in PEM form: make one with toeline record key.")
    return key


def _name(key: Ed25519PublicKey) -> str:
    from cryptography.hazmat.primitives.serialization import Encoding, PublicFormat

    return key.public_bytes(Encoding.Raw, PublicFormat.Raw).hex()
