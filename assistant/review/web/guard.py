"""Who may look and who may write: accounts of the shop, or a token where the page is not on this machine alone; and
headers for browsers.
"""

from __future__ import annotations

import hmac
import math
import secrets
import time
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Literal
from urllib.parse import parse_qs, urlsplit

from starlette.concurrency import run_in_threadpool
from starlette.middleware.base import BaseHTTPMiddleware, RequestResponseEndpoint
from starlette.requests import HTTPConnection, Request
from starlette.responses import PlainTextResponse, RedirectResponse, Response
from starlette.types import ASGIApp, Receive, Scope, Send

from assistant.review.store.accounts import Accounts, User

COOKIE = "page"
LONGEST_FORM = 20_000
"""Bytes of a form: a long comment. More is refused before it is read."""
LOOPBACK = ("127.0.0.1", "localhost", "::1")

OTHER_NAME = "This page is not served by that name; see --name of: assistant page"


SESSION_S = 12 * 3600
"""How long a browser is known after somebody signed in: a working day."""
TRIES = 10
"""Wrong tokens or passwords in a row, after which the next are heard only every `SLOW_S`, from whomever they come."""
SLOW_S = 30


@dataclass(frozen=True)
class Session:
    """A browser that is known. ends: by the guard's clock. user: who signed in; None with the token."""

    ends: float
    user: User | None


@dataclass
class Guard:
    """Who may look, and whose forms are taken."""

    token: str | None = None  # what a person gives once to see the page; None where only this machine reaches it
    # In every form: another site can make a browser send a form here, but cannot read it.
    form_key: str = field(default_factory=lambda: secrets.token_urlsafe(24))
    clock: Callable[[], float] = time.monotonic
    accounts: Accounts | None = None
    sessions: dict[str, Session] = field(default_factory=dict)  # by cookie
    failed: int = 0  # wrong tokens or passwords since the last right one
    slow_until: float = 0.0

    @property
    def asks(self) -> Literal["", "token", "password"]:
        """What is asked before the page is shown: a password as soon as the shop has accounts."""
        if self.accounts and self.accounts.all():
            return "password"
        return "token" if self.token else ""

    def admits(self, request: Request) -> bool:
        """Whether this request comes from somebody who may look; it then has `request.state.user`."""
        request.state.user, asks = None, self.asks
        if not asks:
            return True
        session = self.sessions.get(request.cookies.get(COOKIE, ""))
        if session is None or session.ends <= self.clock() or bool(session.user) != (asks == "password"):
            return False
        # An account that was removed or changed meanwhile has nothing open any more.
        if session.user and self.accounts and self.accounts.find(session.user.name) != session.user:
            return False
        request.state.user = session.user
        return True

    def waits_s(self) -> int:
        """How many seconds pass until another try is heard."""
        return max(0, math.ceil(self.slow_until - self.clock()))

    def enter(self, form: Mapping[str, str]) -> str | None:
        """The value of a new cookie for the right token, password or link; None for a wrong one, or while it waits."""
        now = self.clock()
        if self.waits_s():
            return None
        user, fits = None, False
        if self.asks == "password" and self.accounts:
            if link := form.get("link", ""):
                user = self.accounts.by_link(link)
            else:
                user = self.accounts.by_password(form.get("name", "").strip(), form.get("password", ""))
            fits = user is not None
        elif self.token is not None:
            fits = hmac.compare_digest(form.get("token", "").encode(), self.token.encode())
        if not fits:
            self.failed += 1
            if self.failed >= TRIES:
                self.slow_until = now + SLOW_S
            return None
        self.failed = 0
        cookie = secrets.token_urlsafe(24)
        self.sessions = {name: session for name, session in self.sessions.items() if session.ends > now}
        self.sessions[cookie] = Session(now + SESSION_S, user)
        return cookie

    def leave(self, request: Request) -> None:
        """Forgets a browser."""
        self.sessions.pop(request.cookies.get(COOKIE, ""), None)

    def trusts(self, request: Request, form: dict[str, str]) -> bool:
        """Whether a form was sent from one of our own pages."""
        origin = request.headers.get("origin")
        if origin is not None and urlsplit(origin).netloc != request.headers.get("host"):
            return False
        return hmac.compare_digest(form.get("form_key", "").encode(), self.form_key.encode())


async def read_form(request: Request) -> dict[str, str] | None:
    """The fields of a form as a browser sends them; None where it is too long or no text."""
    data = b""
    async for part in request.stream():
        data += part
        if len(data) > LONGEST_FORM:
            return None
    try:
        fields = parse_qs(data.decode("utf-8"), keep_blank_values=True, max_num_fields=20)
    except ValueError:
        return None
    return {name: values[-1] for name, values in fields.items()}


class Headers(BaseHTTPMiddleware):
    """Sets what a browser is told of every answer: load from here only, run no script of the page's text."""

    async def dispatch(self, request: Request, call_next: RequestResponseEndpoint) -> Response:
        """One request."""
        nonce = request.state.nonce = secrets.token_urlsafe(16)
        answer = await call_next(request)
        answer.headers.setdefault("Content-Security-Policy", policy(nonce))
        answer.headers.setdefault("Cache-Control", "no-store")
        answer.headers["X-Content-Type-Options"] = "nosniff"
        answer.headers["Referrer-Policy"] = "same-origin"
        answer.headers["X-Frame-Options"] = "DENY"
        answer.headers["Cross-Origin-Opener-Policy"] = "same-origin"
        answer.headers["Cross-Origin-Resource-Policy"] = "same-origin"
        return answer


def policy(nonce: str) -> str:
    """The content security policy of a page. The nonce is for the style of the drawn waveform alone."""
    return (
        f"default-src 'none'; script-src 'self'; style-src 'self' 'nonce-{nonce}'; img-src 'self' data:; "
        "media-src 'self' blob:; connect-src 'self' blob:; form-action 'self'; base-uri 'none'; frame-ancestors 'none'"
    )


class Hosts:
    """Answers only those who ask by a name that is served: another site may point a name of its own here."""

    def __init__(self, app: ASGIApp, names: Sequence[str], sentence: str = OTHER_NAME) -> None:
        self.app, self.names, self.sentence = app, {name.lower() for name in names}, sentence

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """One request."""
        if scope["type"] in ("http", "websocket"):
            try:
                asked = urlsplit(f"//{HTTPConnection(scope).headers.get('host', '')}").hostname
            except ValueError:
                asked = None
            if asked not in self.names:
                await PlainTextResponse(self.sentence, status_code=400)(scope, receive, send)
                return
        await self.app(scope, receive, send)


class Door(BaseHTTPMiddleware):
    """Sends whoever has not signed in to where that is asked; lets the styles of that page through."""

    def __init__(self, app: ASGIApp, guard: Guard) -> None:
        super().__init__(app)
        self.guard = guard

    async def dispatch(self, request: Request, call_next: RequestResponseEndpoint) -> Response:
        """One request."""
        path = request.scope["path"]  # and not the one of `request.url`, of which the host is a part
        admitted = path.startswith("/static/")
        if not admitted:
            admitted = request.state.admitted = await run_in_threadpool(self.guard.admits, request)
        if admitted or path == "/enter":
            return await call_next(request)
        return RedirectResponse("/enter", status_code=303)
