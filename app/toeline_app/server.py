"""Starts the app: on this machine only, or open to the network behind an access code."""

from __future__ import annotations

import ipaddress
import socket
import sys
import webbrowser
from pathlib import Path
from threading import Timer

import segno
import streamlit as st
from starlette.middleware import Middleware
from streamlit.logger import set_log_level

from toeline_app import serving
from toeline_app.access import Gate, new_code
from toeline_app.door import Door
from toeline_app.serving import Serving, signs_in_elsewhere
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


def launch(port: int = 8501, host: str = "127.0.0.1", *, code: str | None = None, open_browser: bool = False) -> None:
    """Start the app and serve it until stopped.

    On ``127.0.0.1`` only this machine can open it. On any other ``host`` (``0.0.0.0``: every interface) it asks for
    an access code, which is made up and printed unless ``code`` is given. With Streamlit's ``[auth]`` settings in
    ``.streamlit/secrets.toml`` people sign in with their organisation instead.
    """
    loopback = host == "localhost" or ipaddress.ip_address(host).is_loopback
    gate = None if loopback or signs_in_elsewhere() else Gate(code or new_code())
    where = own_address() if host in ("0.0.0.0", "::") else host
    now = Serving(None if loopback or where is None else f"http://{where}:{port}", gate.code if gate else None)
    serving.now = now
    set_log_level("ERROR")  # Streamlit's own chatter; never a visitor's words
    from toeline_app import service, shell  # noqa: F401  the pages are loaded before anyone opens one

    service.start_measuring()
    _say_hello(port, now)
    if open_browser:
        Timer(2.0, webbrowser.open, [f"http://localhost:{port}"]).start()
    coming = service.uploads().coming
    app = st.App(_SCRIPT, middleware=[Middleware(Door, gate=gate, loopback_only=loopback, coming=coming)])
    app.run(config=_config(port, host))


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


def _say_hello(port: int, now: Serving) -> None:
    out = sys.stderr
    out.write(f"toeline is starting: http://localhost:{port}\n")
    if now.phone_url is None:
        out.write("Only this machine can open it.\n")
    else:
        out.write(f"On a phone in the same network: {now.phone_url}\n")
        if now.code is not None:
            out.write(f"Access code: {now.code}\n")
        segno.make(now.qr_url or now.phone_url, error="m").terminal(out=out, compact=True)
    out.write("Stop it with Ctrl+C.\n")
    out.flush()
