"""Who may ask, and how an answer is sent: access code, form tokens, limits on requests, headers."""

from __future__ import annotations

import asyncio
import hmac
import secrets
import time
from dataclasses import dataclass, field
from hashlib import sha256
from typing import Any
from urllib.parse import quote

from starlette.requests import Request
from starlette.responses import HTMLResponse, PlainTextResponse, RedirectResponse
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from ..ground.reader import for_page

SESSION = "colorcheck-session"
ACCESS = "colorcheck-access"
_POLICY = (
    "default-src 'none'; img-src 'self' data:; style-src 'self' 'unsafe-inline'; script-src 'self'; "
    "connect-src 'self'; form-action 'self'; base-uri 'none'; frame-ancestors 'none'"
)
HEADERS = {
    "content-security-policy": _POLICY,
    "x-content-type-options": "nosniff",
    "x-frame-options": "DENY",
    "referrer-policy": "no-referrer",
    "cross-origin-opener-policy": "same-origin",
    "cross-origin-resource-policy": "same-origin",
    "permissions-policy": "geolocation=(), microphone=()",
}
_UPLOAD_S = 600.0  # longest upload


CODE, CODE_BYTES = "code", 13  # 100 bits, in letters that are safe in an address
_LETTERS = "ABCDEFGHJKLMNPQRSTUVWXYZ23456789"  # none that is taken for another
_WRONG, _WRONG_S = 10, 600.0


@dataclass(slots=True)
class Access:
    """Secrets of the page. ``code`` is empty when only this computer can reach it."""

    code: str = ""
    hosts: frozenset[str] = frozenset()
    secret: bytes = field(default_factory=lambda: secrets.token_bytes(32))

    def sign(self, what: str) -> str:
        """Keyed digest of a word."""
        return hmac.new(self.secret, what.encode(), sha256).hexdigest()

    @property
    def short(self) -> str:
        """The code for people who type: 40 bits, good for few tries only."""
        digest = bytes.fromhex(self.sign(f"short {self.code}"))
        letters = "".join(_LETTERS[b % 32] for b in digest[:8])
        return f"{letters[:4]}-{letters[4:]}"

    def is_short(self, typed: str) -> bool:
        """Whether the short code was typed, in whatever letters."""
        letters = "".join(c for c in typed.upper() if c.isalnum())[:20]
        return bool(self.code) and hmac.compare_digest(letters.encode(), self.short.replace("-", "").encode())

    @property
    def pass_word(self) -> str:
        """What the cookie of a phone holds that was let in; a new code makes it worthless."""
        return self.sign(f"access {self.code}")

    def token(self, request: Request) -> str:
        """Token for the forms of this visitor."""
        return self.sign("form " + session_of(request))

    def check_token(self, request: Request) -> bool:
        """Whether a form was made by this page for this visitor; the token stands in the form's address."""
        given = request.query_params.get("token", "")
        return hmac.compare_digest(given.encode(), self.token(request).encode())


class Tries:
    """Wrong codes of each address in the last minutes."""

    def __init__(self) -> None:
        self._at: dict[str, list[float]] = {}

    def too_many(self, address: str) -> bool:
        """Whether an address must wait."""
        now = time.monotonic()
        self._at = {a: kept for a, at in self._at.items() if (kept := [t for t in at if now - t < _WRONG_S])}
        return len(self._at.get(address, ())) >= _WRONG or len(self._at) > 50

    def wrong(self, address: str) -> None:
        """Count a wrong code."""
        self._at.setdefault(address, []).append(time.monotonic())


def new_code() -> str:
    """Make an access code for the network."""
    return secrets.token_hex(CODE_BYTES)


def session_of(request: Request) -> str:
    """Name of this visitor's session; made by `Guard` when he has none."""
    return str(request.scope["colorcheck.session"])


class Guard:
    """Middleware round the whole page.

    Refuses foreign host names (so that no other site can reach the page through the visitor's browser), visitors from
    the network without the code, bodies that are too large or too slow; gives every visitor a session and every answer
    its headers.
    """

    def __init__(self, app: ASGIApp, access: Access, max_bytes: int, patience_s: float) -> None:
        self.app = app
        self.patience_s = patience_s
        self.access = access
        self.max_bytes = max_bytes

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Handle one request."""
        if scope["type"] != "http":
            await self.app(scope, receive, send)
            return
        request = Request(scope)
        session = request.cookies.get(SESSION, "")
        known = len(session) == 64 and session.isalnum()
        if not known:
            session = secrets.token_hex(32)
        scope["colorcheck.session"] = session

        async def dressed(message: Message) -> None:
            if message["type"] == "http.response.start":
                own = {name.lower() for name, _ in message["headers"]}
                add = [(k.encode(), v.encode()) for k, v in HEADERS.items() if k.encode() not in own]
                if b"cache-control" not in own:
                    add.append((b"cache-control", b"no-store"))
                if not known:
                    cookie = f"{SESSION}={session}; Path=/; HttpOnly; SameSite=Lax"
                    add.append((b"set-cookie", cookie.encode()))
                message = {**message, "headers": [*message["headers"], *add]}
            await send(message)

        refusal = self._refusal(request)
        if refusal is not None:
            await refusal(scope, receive, dressed)
            return
        with for_page():
            await self.app(scope, self._bounded(receive), dressed)

    def _refusal(self, request: Request) -> Any:
        host = request.headers.get("host", "").rsplit(":", 1)[0].strip("[]").lower()
        if host not in self.access.hosts:
            return PlainTextResponse("this page is not served under that name", 421)
        length = request.headers.get("content-length", "0")
        if not length.isdigit() or int(length) > self.max_bytes:
            limit = f"{self.max_bytes / 1e6:.0f} MB"
            return page_of_one_line(f"that is more than {limit} at once: send fewer or smaller photos", 413)
        if not self.access.code or request.url.path.startswith(("/static/", "/in/")) or request.url.path == "/enter":
            return None
        client = request.client.host if request.client else ""
        if client in ("127.0.0.1", "::1"):
            return None
        given = request.cookies.get(ACCESS, "")
        if hmac.compare_digest(given.encode(), self.access.pass_word.encode()):
            return None
        return ask_for_code("scan or type the code that the bench computer shows under 'Open on the phone'", 403)

    def _bounded(self, receive: Receive) -> Receive:
        count = 0
        loop = asyncio.get_running_loop()
        end = loop.time() + _UPLOAD_S

        async def bounded() -> Message:
            nonlocal count
            try:
                async with asyncio.timeout(min(self.patience_s, max(end - loop.time(), 0.1))) as patience:
                    message = await receive()
                    patience.reschedule(None)
            except TimeoutError:
                raise TooSlowError from None
            count += len(message.get("body", b""))
            if count > self.max_bytes:
                raise TooLargeError
            return message

        return bounded


class TooLargeError(Exception):
    """The body of a request is larger than allowed, whatever its header said."""


class TooSlowError(Exception):
    """The body of a request comes too slowly."""


def enter(access: Access, code: str) -> Any:
    """Answer to the address in the code on screen: lets this phone in, or does not."""
    if not access.code or not hmac.compare_digest(code.encode(), access.code.encode()):
        return page_of_one_line("this code is no longer good: scan the one that the bench computer shows now", 403)
    answer = RedirectResponse("/", 303)
    answer.set_cookie(ACCESS, access.pass_word, max_age=400 * 86400, httponly=True, samesite="lax", path="/")
    return answer


def sentence(line: str) -> str:
    """Make an error line a sentence: a capital in front, unless it begins with the name of a file, and a full stop."""
    name = "." in line.split(" ", 1)[0].rstrip(".:,")
    return (line if name else line[:1].upper() + line[1:]).rstrip(".") + "."


def ask_for_code(line: str, status: int) -> HTMLResponse:
    """Ask for the short code."""
    field = (
        '<form method="post" action="/enter"><p class="field"><label for="code">Code</label>'
        '<input id="code" name="code" autocomplete="off" autocapitalize="characters" required></p>'
        '<p class="go"><button>Open</button></p></form>'
    )
    return page_of_one_line(line, status, below=field)


_BACK = '<p><a class="button" href="/">Back to the start</a></p>'


def page_of_one_line(line: str, status: int, *, below: str = _BACK) -> HTMLResponse:
    """Smallest page: one line, and the way back."""
    from html import escape

    text = escape(sentence(line))
    return HTMLResponse(
        '<!DOCTYPE html><html lang="en"><meta charset="utf-8">'
        '<meta name="viewport" content="width=device-width, initial-scale=1"><title>colorcheck</title>'
        '<link rel="stylesheet" href="/static/page.css">'
        f'<main id="main"><h1 class="ask">{text}</h1>{below}</main></html>',
        status,
    )


def address(host: str, port: int, code: str) -> str:
    """Address that a phone opens."""
    name = f"[{host}]" if ":" in host else host
    return f"http://{name}:{port}/" + (f"in/{quote(code)}" if code else "")
