"""Who may come in when the app is open to the network, and as what.

An access code for each role, a limit on guesses, a pass in a cookie that ends; or an organisation's own sign-in with a
list of whom to let in.
"""

from __future__ import annotations

import hashlib
import hmac
import math
import secrets
from collections import deque
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from time import monotonic
from typing import Any, Literal, Self

#: A learner measures and saves; an inspector, or an instructor, also decides, erases, and sees what others saved.
Role = Literal["learner", "inspector"]
#: How long a pass is good for, s: a day's work, and no longer than the evening.
PASS_LASTS_S = 43_200.0
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
    """What the gate says to a code: let in as what, or refused, perhaps with a time to wait before the next try."""

    role: Role | None
    wait_s: float = 0.0

    @property
    def accepted(self) -> bool:
        """Whether the code was one."""
        return self.role is not None


@dataclass
class Gate:
    """Checks access codes in constant time and slows guessing down. ``clock`` gives seconds.

    ``code`` is the inspector's; ``learner_code``, where there is one, lets in as a learner.
    """

    code: str
    learner_code: str | None = None
    clock: Callable[[], float] = monotonic
    _secret: bytes = field(default_factory=lambda: secrets.token_bytes(32), repr=False)
    _wrong: dict[str, tuple[int, float]] = field(default_factory=dict, repr=False)
    _all_wrong: deque[float] = field(default_factory=deque, repr=False)

    def try_code(self, given: str, address: str) -> Answer:
        """Check a code given from an address; while the address must wait, even the right code is refused."""
        now = self.clock()
        wait = self._wait(address, now)
        if wait > 0:
            return Answer(None, wait)
        role = self._role(given)
        if role is not None:
            self._wrong.pop(address, None)
            return Answer(role)
        count, _ = self._wrong.pop(address, (0, now))
        over = count + 1 - FREE_TRIES
        until = now + (min(FIRST_WAIT_S * 2**over, LONGEST_WAIT_S) if over >= 0 else 0.0)
        self._wrong[address] = (count + 1, until)
        while len(self._wrong) > MOST_ADDRESSES:
            self._wrong.pop(next(iter(self._wrong)))
        self._all_wrong.append(now)
        return Answer(None, self._wait(address, now))

    def _role(self, given: str) -> Role | None:
        found: Role | None = None
        codes: tuple[tuple[Role, str | None], ...] = (("inspector", self.code), ("learner", self.learner_code))
        for role, code in codes:  # every code is compared, so that the time taken tells nothing
            if hmac.compare_digest(_bare(given).encode(), _bare(code or "").encode()) and code:
                found = found or role
        return found

    def _wait(self, address: str, now: float) -> float:
        while self._all_wrong and self._all_wrong[0] <= now - WINDOW_S:
            self._all_wrong.popleft()
        everyone = self._all_wrong[0] + WINDOW_S - now if len(self._all_wrong) >= TRIES_OF_ALL else 0.0
        return max(everyone, self._wrong.get(address, (0, now))[1] - now)

    def new_pass(self, role: Role) -> str:
        """The pass that a browser gets for the right code; good for ``PASS_LASTS_S``, or until the app stops."""
        return self._signed(role, math.ceil(self.clock() + PASS_LASTS_S))

    def role_of(self, given: str) -> Role | None:
        """What a browser's pass lets its visitor be; None where it was not given out here, or has ended."""
        name, _, rest = given.partition(".")
        until = rest.partition(".")[0]
        role: Role | None = "inspector" if name == "inspector" else "learner" if name == "learner" else None
        if role is None or not (until.isascii() and until.isdecimal() and len(until) < 16):
            return None
        genuine = hmac.compare_digest(given.encode(), self._signed(role, int(until)).encode())
        return role if genuine and self.clock() < int(until) else None

    def _signed(self, role: Role, until: int) -> str:
        said = f"{role}.{until}"
        return f"{said}.{hmac.new(self._secret, said.encode(), hashlib.sha256).hexdigest()}"


@dataclass(frozen=True, slots=True)
class AllowList:
    """Whom an organisation's sign-in lets in: addresses, and domains for everyone who has an address there."""

    allow: frozenset[str]
    inspectors: frozenset[str]

    @classmethod
    def of(cls, settings: Mapping[str, Any]) -> Self:
        """The lists ``allow`` and ``inspectors``. Raises ValueError where nobody would be let in, or it is no list."""
        lists = []
        for name in ("allow", "inspectors"):
            given = settings.get(name, [])
            if not isinstance(given, list | tuple) or not all(
                isinstance(one, str) and one.strip(" @") for one in given
            ):
                raise ValueError(f"[toeline] {name} in secrets.toml must be a list of addresses and domains.")
            lists.append(frozenset(one.strip().lower().removeprefix("@") for one in given))
        if not any(lists):
            raise ValueError(
                "Say in .streamlit/secrets.toml whom the sign-in lets in: under [toeline], "
                'allow = ["school.example"] and inspectors = ["noor@school.example"].'
            )
        return cls(*lists)

    def role_of(self, user: Mapping[str, Any]) -> Role | None:
        """What a signed-in person may be, by the address that the provider vouches for."""
        address = str(user.get("email") or "").strip().lower()
        if "@" not in address or user.get("email_verified") is False:
            return None
        names = {address, address.rpartition("@")[2]}
        if names & self.inspectors:
            return "inspector"
        return "learner" if names & self.allow else None


def _bare(code: str) -> str:
    return "".join(letter for letter in code.upper()[:40] if letter.isalnum())
