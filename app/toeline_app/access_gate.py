"""The access gate before every page, upload and socket: the access code, the host name, and what a browser may load."""

from __future__ import annotations

import re
import secrets
from collections.abc import Callable
from contextlib import AbstractContextManager, nullcontext
from html import escape
from http.cookies import CookieError, SimpleCookie
from importlib import resources
from string import Template
from urllib.parse import parse_qs, urlencode, urlsplit

from starlette.datastructures import Headers, MutableHeaders
from starlette.requests import Request
from starlette.responses import HTMLResponse, RedirectResponse, Response
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from toeline_app.access import PASS_LASTS_S, Gate
from toeline_app.drafts import KEPT_FOR_S
from toeline_app.uploads import LARGEST_UPLOAD_MB, Refusal

COOKIE = "toeline_pass"
PATH = "/access"
#: The cookie with the key of a visitor's draft; no script can read it.
VISITOR = "toeline_visitor"
#: What such a key looks like: 256 random bits.
VISITOR_KEY = re.compile(r"[A-Za-z0-9_-]{43}")
#: Where Streamlit takes uploads: behind it stand the session and the file.
UPLOADS = "/_stcore/upload_file/"
LOOPBACK = frozenset({"localhost", "127.0.0.1", "::1"})
#: The browser itself refuses any request that would leave this server.
POLICY = (
    "default-src 'self'; script-src 'self' 'unsafe-inline' 'unsafe-eval' blob:; style-src 'self' 'unsafe-inline'; "
    "img-src 'self' data: blob:; font-src 'self' data:; connect-src 'self' data: blob:; worker-src 'self' blob:; "
    "media-src 'self' blob:; frame-src 'self' blob: data:; frame-ancestors 'self'; form-action 'self'; base-uri 'self'"
)
LONGEST_FORM = 1000
LONGEST_ADDRESS = 300
#: Pages that show what others saved.
INSPECTORS = frozenset({"record", "continuity", "procedures", "trends", "person"})


class AccessGate:
    """ASGI middleware. ``gate`` asks for the access code; ``names`` are the host names that are answered, or None for
    any; ``coming`` makes room for an upload of a session, of so many bytes, or refuses it."""

    def __init__(
        self,
        app: ASGIApp,
        gate: Gate | None,
        names: frozenset[str] | None,
        coming: Callable[[str, int], AbstractContextManager[Refusal | None]],
    ) -> None:
        self._app = app
        self._gate = gate
        self._names = names
        self._coming = coming

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Let a request through, ask for the code, or refuse."""
        if scope["type"] not in ("http", "websocket"):
            await self._app(scope, receive, send)
            return
        headers = Headers(scope=scope)
        if self._names is not None and _host(headers) not in self._names:
            await _refuse(
                scope, receive, send, 421, f"Open the app under {min(self._names - LOOPBACK, default='localhost')}."
            )
        elif scope["path"] != PATH and _from_elsewhere(headers):
            await _refuse(scope, receive, send, 403, "Another site may not use this app.")
        elif self._gate is not None and scope["type"] == "http" and scope["path"] == PATH:
            await (await _ask(Request(scope, receive), self._gate))(scope, receive, _with_policy(send))
        elif self._gate is None or (role := self._gate.role_of(_cookie(headers))) is not None:
            if self._gate is not None and role == "learner" and _is_page(scope, headers) and _kept_from_learners(scope):
                await _for_inspectors()(scope, receive, _with_policy(send))
                return
            sending = scope.get("method") == "PUT" and scope["path"].startswith(UPLOADS)
            with self._coming(*_upload(scope, headers)) if sending else nullcontext() as refusal:
                if refusal is not None:
                    await _refuse(scope, receive, send, *refusal)
                else:
                    await self._app(scope, receive, _with_policy(send, _visitor(scope, headers)))
        elif scope["type"] == "http" and "text/html" in headers.get("accept", ""):
            await RedirectResponse(PATH + _sent(scope), 303)(scope, receive, send)
        else:
            await _refuse(scope, receive, send, 401, "Give the access code first.")


def _host(headers: Headers) -> str:
    try:
        return (urlsplit("//" + headers.get("host", "")).hostname or "").lower()
    except ValueError:  # half of a bracket
        return ""


def _from_elsewhere(headers: Headers) -> bool:
    """Whether another site's page asks. Streamlit would ask the internet for this machine's outer address to tell."""
    origin = headers.get("origin")
    try:
        return origin is not None and urlsplit(origin).netloc.lower() != headers.get("host", "").lower()
    except ValueError:
        return True


def _upload(scope: Scope, headers: Headers) -> tuple[str, int]:
    """The session that an upload's path names, and its size as said, in bytes; else the most that is ever taken."""
    session = scope["path"].removeprefix(UPLOADS).partition("/")[0]
    said = "" if "transfer-encoding" in headers else headers.get("content-length", "")
    return session, int(said) if said.isdecimal() and len(said) < 12 else LARGEST_UPLOAD_MB * 1024 * 1024


def _cookie(headers: Headers, name: str = COOKIE) -> str:
    try:
        found = SimpleCookie(headers.get("cookie", "")).get(name)
    except CookieError:
        return ""
    return found.value if found else ""


def _is_page(scope: Scope, headers: Headers) -> bool:
    return scope.get("method") == "GET" and "text/html" in headers.get("accept", "")


def _kept_from_learners(scope: Scope) -> bool:
    """Whether an address shows what others saved: a page of the record, or a class that was put under an address."""
    page = str(scope["path"]).strip("/").partition("/")[0]
    return page in INSPECTORS or (page == "coupons" and "class" in parse_qs(scope["query_string"].decode("latin-1")))


def _sent(scope: Scope) -> str:
    """The address that was asked for, handed on so that the right code leads there."""
    asked = scope["path"] + ("?" + scope["query_string"].decode("ascii", "replace") if scope["query_string"] else "")
    return f"?{urlencode({'to': asked})}" if asked != "/" and len(asked) < LONGEST_ADDRESS else ""


def _own_address(asked: str) -> str:
    """An address of this app, or its first page: nobody is sent elsewhere."""
    own = asked.startswith("/") and not asked.startswith(("//", PATH)) and asked.isascii() and asked.isprintable()
    return asked if own and "\\" not in asked and len(asked) < LONGEST_ADDRESS else "/"


def _for_inspectors() -> Response:
    text = resources.files("toeline_app").joinpath("static", "inspectors.html").read_text(encoding="utf-8")
    return HTMLResponse(text, 403)


def _visitor(scope: Scope, headers: Headers) -> str | None:
    """The cookie that gives who opens a page the key of their draft, the one they have or a new one.

    It goes with every page, so that it lasts as long as the draft; None for what is no page.
    """
    if not _is_page(scope, headers):
        return None
    key = _cookie(headers, VISITOR)
    key = key if VISITOR_KEY.fullmatch(key) else secrets.token_urlsafe(32)
    secure = "; Secure" if scope.get("scheme") == "https" else ""
    return f"{VISITOR}={key}; HttpOnly; Max-Age={int(KEPT_FOR_S)}; Path=/; SameSite=lax{secure}"


async def _refuse(scope: Scope, receive: Receive, send: Send, status: int, text: str) -> None:
    if scope["type"] == "websocket":
        await send({"type": "websocket.close", "code": 4401})
    else:
        await Response(text, status, media_type="text/plain")(scope, receive, send)


def _with_policy(send: Send, cookie: str | None = None) -> Send:
    async def sending(message: Message) -> None:
        if message["type"] == "http.response.start":
            headers = MutableHeaders(scope=message)
            headers["Content-Security-Policy"] = POLICY
            headers["Referrer-Policy"] = "no-referrer"
            headers["X-Content-Type-Options"] = "nosniff"
            if cookie is not None:
                headers.append("Set-Cookie", cookie)
        await send(message)

    return sending


async def _ask(request: Request, gate: Gate) -> Response:
    """The page that asks for the code; the QR code's link carries it along."""
    given, to = request.query_params.get("code"), request.query_params.get("to", "/")
    if request.method == "POST":
        body = b""
        async for chunk in request.stream():
            body += chunk
            if len(body) > LONGEST_FORM:
                break
        form = parse_qs(body[:LONGEST_FORM].decode("ascii", "replace"))
        given, to = form.get("code", [""])[0], form.get("to", ["/"])[0]
    to = _own_address(to)
    if given is None:
        return _page("", to)
    answer = gate.try_code(given, request.client.host if request.client else "")
    if answer.role is None:
        wait = f" Wait {answer.wait_s:.0f} seconds before the next try." if answer.wait_s > 0 else ""
        return _page(f"This is not the code.{wait}", to, 429 if answer.wait_s > 0 else 403)
    response = RedirectResponse(to, 303)
    secure = request.url.scheme == "https"
    lasts = int(PASS_LASTS_S)
    response.set_cookie(COOKIE, gate.new_pass(answer.role), lasts, httponly=True, samesite="lax", secure=secure)
    return response


def _page(problem: str, to: str, status: int = 200) -> Response:
    template = resources.files("toeline_app").joinpath("static", "access.html").read_text(encoding="utf-8")
    return HTMLResponse(Template(template).substitute(problem=escape(problem), to=escape(to)), status)
