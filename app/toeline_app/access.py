"""Who may come in when the app is open to the network: one access code, a limit on guesses, a pass in a cookie."""

from __future__ import annotations

import hashlib
import hmac
import secrets
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass, field
from time import monotonic

#: Letters and digits that cannot be mistaken for each other.
ALPHABET = "23456789ABCDEFGHJKLMNPQRSTUVWXYZ"
#: Wrong codes one address may give before it must wait, and how the wait grows, s.
FREE_TRIES = 5
FIRST_WAIT_S = 10.0
LONGEST_WAIT_S = 600.0
#: Wrong codes all addresses together may give in ten minutes.
TRIES_OF_ALL = 100
WINDOW_S = 600.0
#: Addresses remembered at once, so that memory stays bounded.
MOST_ADDRESSES = 2000


def new_code() -> str:
    """A fresh access code of 40 random bits, ``K7MR-2XPD``."""
    letters = "".join(secrets.choice(ALPHABET) for _ in range(8))
    return f"{letters[:4]}-{letters[4:]}"


@dataclass(frozen=True, slots=True)
class Answer:
    """What the gate says to a code: let in, or refused, perhaps with a time to wait before the next try."""

    accepted: bool
    wait_s: float = 0.0


@dataclass
class Gate:
    """Checks access codes in constant time and slows guessing down. ``clock`` gives seconds."""

    code: str
    clock: Callable[[], float] = monotonic
    _secret: bytes = field(default_factory=lambda: secrets.token_bytes(32), repr=False)
    _wrong: dict[str, tuple[int, float]] = field(default_factory=dict, repr=False)
    _all_wrong: deque[float] = field(default_factory=deque, repr=False)

    def try_code(self, given: str, address: str) -> Answer:
        """Check a code given from an address; while the address must wait, even the right code is refused."""
        now = self.clock()
        wait = self._wait(address, now)
        if wait > 0:
            return Answer(False, wait)
        if hmac.compare_digest(_bare(given).encode(), _bare(self.code).encode()):
            self._wrong.pop(address, None)
            return Answer(True)
        count, _ = self._wrong.pop(address, (0, now))
        over = count + 1 - FREE_TRIES
        until = now + (min(FIRST_WAIT_S * 2**over, LONGEST_WAIT_S) if over >= 0 else 0.0)
        self._wrong[address] = (count + 1, until)
        while len(self._wrong) > MOST_ADDRESSES:
            self._wrong.pop(next(iter(self._wrong)))
        self._all_wrong.append(now)
        return Answer(False, self._wait(address, now))

    def _wait(self, address: str, now: float) -> float:
        while self._all_wrong and self._all_wrong[0] <= now - WINDOW_S:
            self._all_wrong.popleft()
        everyone = self._all_wrong[0] + WINDOW_S - now if len(self._all_wrong) >= TRIES_OF_ALL else 0.0
        return max(everyone, self._wrong.get(address, (0, now))[1] - now)

    @property
    def token(self) -> str:
        """The pass a browser gets for the right code; good until the app stops."""
        return hmac.new(self._secret, _bare(self.code).encode(), hashlib.sha256).hexdigest()

    def knows(self, token: str) -> bool:
        """Whether a browser's pass is the one given out."""
        return hmac.compare_digest(token.encode(), self.token.encode())


def _bare(code: str) -> str:
    return "".join(letter for letter in code.upper()[:40] if letter.isalnum())
