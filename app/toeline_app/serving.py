"""How the app is being served: set at the start, read by the pages."""

from __future__ import annotations

from dataclasses import dataclass

import streamlit as st

from toeline_app.door import PATH


@dataclass(frozen=True, slots=True)
class Serving:
    """How the app is being served: the address a phone in the same network opens, and the code it needs."""

    phone_url: str | None = None
    code: str | None = None

    @property
    def qr_url(self) -> str | None:
        """The link in the QR code: it carries the access code along."""
        if self.phone_url is None or self.code is None:
            return self.phone_url
        return f"{self.phone_url}{PATH}?code={self.code}"


#: Set once before any page runs; None when the pages were started some other way.
now: Serving | None = None


def signs_in_elsewhere() -> bool:
    """Whether the organisation's own sign-in (OpenID Connect) is set up."""
    try:
        return "auth" in st.secrets
    except FileNotFoundError:
        return False
