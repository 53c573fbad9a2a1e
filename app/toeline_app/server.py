"""Starts the app: on this machine only, or open to the network behind an access code."""

from __future__ import annotations

import ipaddress
import os
import socket
import ssl
import sys
import webbrowser
from pathlib import Path
from threading import Timer
from urllib.parse import urlsplit

import segno
import streamlit as st
from starlette.middleware import Middleware
from streamlit.logger import set_log_level

from toeline.errors import ToelineError
from toeline_app import serving
from toeline_app.access import Gate, new_code
from toeline_app.access_gate import LOOPBACK, AccessGate
from toeline_app.serving import PLAIN_HTTP, Serving, allow_list, signs_in_elsewhere
from toeline_app.uploads import LARGEST_UPLOAD_MB

#: How long a phone may be away (its camera app open, its screen locked) before its session ends, s.
AWAY_S = 600
_SCRIPT = Path(__file__).with_name("main.py")
_COLOURS = {
    "light": {
        "primaryColor": "#0b5cad",
        "backgroundColor": "#ffffff",
        "textColor": "#1b232c",
        "linkColor": "#0b5cad",
        "secondaryBackgroundColor": "#f1f4f7",
        "borderColor": "#7f8c99",
    },
    "dark": {
        "primaryColor": "#1f6fbf",
        "backgroundColor": "#0f1318",
        "textColor": "#f2f4f7",
        "linkColor": "#8cc4fa",
        "secondaryBackgroundColor": "#1c242e",
        "borderColor": "#7f8c99",
    },
}


class ServingError(ToelineError):
    """The app cannot be served as asked; the text says why."""


def launch(
    port: int = 8501,
    host: str = "127.0.0.1",
    *,
    code: str | None = None,
    learner_code: str | None = None,
    certificate: str | os.PathLike[str] | None = None,
    key: str | os.PathLike[str] | None = None,
    behind: str | None = None,
    open_browser: bool = False,
) -> None:
    """Start the app and serve it until stopped.

    On ``127.0.0.1`` only this machine can open it. On any other ``host`` (``0.0.0.0``: every interface) it asks for
    an access code, of the inspector or of the learners; both are made up and printed unless given. With Streamlit's
    ``[auth]`` settings in ``.streamlit/secrets.toml`` people sign in with their organisation instead, and ``[toeline]``
    there says whom to let in. ``certificate`` and ``key`` (PEM) serve HTTPS. ``behind`` is the address under which a
    proxy in front of it is opened, which does the HTTPS: the app then asks for the code on ``127.0.0.1`` as well.

    Raises:
        ServingError: a certificate, an address or the allow-list cannot be used.
    """
    loopback = _is_loopback(host)
    encrypted = _checked(certificate, key)
    outside = _outside(behind)
    here_only = loopback and outside is None
    if signs_in_elsewhere():
        try:
            allow_list()
        except ValueError as error:
            raise ServingError(str(error)) from None
    gate = None if here_only or signs_in_elsewhere() else Gate(code or new_code(), learner_code or new_code())
    where = own_address() if host in ("0.0.0.0", "::") else host
    scheme = "https" if encrypted else "http"
    url = behind and behind.rstrip("/")
    if url is None and not loopback and where is not None:
        url = f"{scheme}://{where}:{port}"
    now = Serving(url, gate)
    serving.now = now
    set_log_level("ERROR")  # Streamlit's own chatter; never a visitor's words
    from toeline_app import shell  # noqa: F401  the pages are loaded before anyone opens one
    from toeline_app.service import retention, workers

    workers.start_measuring()
    _say_hello(f"{scheme}://localhost:{port}", now)
    if open_browser:
        Timer(2.0, webbrowser.open, [f"{scheme}://localhost:{port}"]).start()
    names = LOOPBACK if here_only else frozenset({outside}) if outside is not None else None
    coming = retention.uploads().coming
    app = st.App(_SCRIPT, middleware=[Middleware(AccessGate, gate=gate, names=names, coming=coming)])
    files = {"server.sslCertFile": str(certificate), "server.sslKeyFile": str(key)} if encrypted else {}
    app.run(config=_config(port, host) | files)


def _is_loopback(host: str) -> bool:
    try:
        return host == "localhost" or ipaddress.ip_address(host).is_loopback
    except ValueError:
        raise ServingError(f"{host} is no address to listen on: give this machine's own, or 0.0.0.0 for all.") from None


def _checked(certificate: str | os.PathLike[str] | None, key: str | os.PathLike[str] | None) -> bool:
    """Whether HTTPS is served from here. Raises ServingError where the certificate and its key cannot be used."""
    if certificate is None and key is None:
        return False
    if certificate is None or key is None:
        raise ServingError("HTTPS needs both files: the certificate and its private key, in PEM form.")
    for file in (certificate, key):
        if not Path(file).is_file():
            raise ServingError(f"There is no file {file}: give the certificate and its private key, in PEM form.")
    try:
        ssl.create_default_context(ssl.Purpose.CLIENT_AUTH).load_cert_chain(certificate, key, lambda: "")
    except (ssl.SSLError, OSError, ValueError):
        raise ServingError(
            f"{certificate} and {key} are no certificate and its own private key in PEM form, without a pass phrase."
        ) from None
    return True


def _outside(behind: str | None) -> str | None:
    """The host name under which the proxy in front is opened. Raises ServingError where it is no HTTPS address."""
    if behind is None:
        return None
    try:
        parts = urlsplit(behind)
    except ValueError:  # half of a bracket
        parts = urlsplit("")
    if parts.scheme != "https" or not parts.hostname or parts.path.strip("/") or parts.query or parts.username:
        raise ServingError("Give the proxy's address as it is opened, https://weld.example.org, without a path.")
    return parts.hostname.lower()


def _config(port: int, host: str) -> dict[str, object]:
    theme = {f"theme.{name}.{key}": value for name, keys in _COLOURS.items() for key, value in keys.items()}
    return theme | {
        "server.port": port,
        "server.address": host,
        "server.headless": True,
        "server.fileWatcherType": "none",
        "server.maxUploadSize": LARGEST_UPLOAD_MB,
        "server.disconnectedSessionTTL": AWAY_S,
        "logger.level": "error",
        "logger.hideWelcomeMessage": True,  # its headless form asks the internet for this machine's outer address
        "browser.gatherUsageStats": False,
        "client.toolbarMode": "minimal",
        "client.showErrorDetails": "none",
        "theme.baseFontSize": 16,
    }


def own_address() -> str | None:
    """This machine's address in its network, or None without one. Sends nothing: a UDP socket is only pointed."""
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as pointed:
        try:
            pointed.connect(("192.0.2.1", 9))  # a documentation address, RFC 5737
        except OSError:
            return None
        return str(pointed.getsockname()[0])


def _say_hello(here: str, now: Serving) -> None:
    out = sys.stderr
    out.write(f"toeline is starting: {here}\n")
    if now.phone_url is None:
        out.write("Only this machine can open it.\n")
    else:
        out.write(f"On a phone in the same network: {now.phone_url}\n")
        if now.gate is not None:
            out.write(f"Access code: {now.gate.code}  (inspector or instructor: decides, erases, sees what is saved)\n")
            out.write(f"Learners' code: {now.gate.learner_code}  (measures and saves)\n")
        if not now.encrypted:
            out.write(f"{PLAIN_HTTP}\n")
        segno.make(now.qr_url() or now.phone_url, error="m").terminal(out=out, compact=True)
    out.write("Stop it with Ctrl+C.\n")
    out.flush()
