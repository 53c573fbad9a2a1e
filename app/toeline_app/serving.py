"""How the app is being served, and what the visitor of the running page may do: set at the start, read by the pages."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from typing import Any

import streamlit as st
from streamlit.runtime.scriptrunner import get_script_run_ctx

from toeline.errors import ToelineError
from toeline_app.access import AllowList, Gate, Role
from toeline_app.access_gate import COOKIE, PATH

#: Said wherever a code is shown that others on the way could read.
PLAIN_HTTP = (
    "This connection is not encrypted: whoever shares the network can read the code, the photos and the names. "
    "Use it in a network that you trust, or start the app with a certificate (toeline app --help)."
)


class NotAllowed(ToelineError):
    """The visitor's role does not reach so far; the text says what does."""


@dataclass(frozen=True, slots=True)
class Serving:
    """How the app is being served: the address a phone in the same network opens, and the gate it passes."""

    phone_url: str | None = None
    gate: Gate | None = None

    @property
    def encrypted(self) -> bool:
        """Whether what goes over the network cannot be read on the way."""
        return self.phone_url is None or self.phone_url.startswith("https://")

    def qr_url(self, role: Role = "inspector") -> str | None:
        """The link in the QR code: it carries the role's access code along."""
        code = self.code(role)
        return self.phone_url if self.phone_url is None or code is None else f"{self.phone_url}{PATH}?code={code}"

    def code(self, role: Role) -> str | None:
        """The access code of a role, where codes are asked for."""
        if self.gate is None:
            return None
        return self.gate.code if role == "inspector" else self.gate.learner_code


#: Set once before any page runs; None when the pages were started some other way.
now: Serving | None = None


def signs_in_elsewhere() -> bool:
    """Whether the organisation's own sign-in (OpenID Connect) is set up."""
    try:
        return "auth" in st.secrets
    except FileNotFoundError:
        return False


@cache
def allow_list() -> AllowList:
    """Whom the organisation's sign-in lets in. Raises ValueError where that is not said."""
    settings: Any = st.secrets.get("toeline", {})
    return AllowList.of(settings)


def role() -> Role | None:
    """What the visitor of the running page may be; None for who may not come in, or whose pass has ended."""
    if signs_in_elsewhere():
        return allow_list().role_of(st.user.to_dict()) if st.user.is_logged_in else None
    if now is None or now.gate is None:
        return "inspector"  # on this machine only
    if get_script_run_ctx(suppress_warning=True) is None:
        return None
    return now.gate.role_of(st.context.cookies.get(COOKIE, ""))


def for_inspectors() -> None:
    """Let only an inspector go on. Raises NotAllowed."""
    if role() != "inspector":
        raise NotAllowed("This is for the inspector or the instructor: come in with that code.")
