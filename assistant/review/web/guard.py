"""Who may look and who may write: a token where the page is not on this machine alone, and headers for browsers."""

from __future__ import annotations

import hmac
import secrets
from collections.abc import Sequence
from dataclasses import dataclass, field
from urllib.parse import parse_qs, urlsplit

from starlette.datastructures import MutableHeaders
from starlette.requests import Request
from starlette.responses import PlainTextResponse, RedirectResponse
from starlette.types import ASGIApp, Message, Receive, Scope, Send

COOKIE = "page"
LONGEST_FORM = 20_000
"""Bytes of a form: a long comment. More is refused before it is read."""
LOOPBACK = ("127.0.0.1", "localhost", "::1")


@dataclass
class Guard:
    """token: what a person gives once to see the page; None where only this machine reaches it.

    form_key stands in every form. Another site can make a browser send a form here, but cannot read the key.
    """

    token: str | None = None
    form_key: str = field(default_factory=lambda: secrets.token_urlsafe(24))
    sessions: set[str] = field(default_factory=set)

    def knows(self, request: Request) -> bool:
        """Whether this request comes from somebody who gave the token, or needs none."""
        return self.token is None or request.cookies.get(COOKIE, "") in self.sessions

    def enter(self, token: str) -> str | None:
        """The value of a new cookie for the right token; None for a wrong one."""
        if self.token is None or not hmac.compare_digest(token.encode(), self.token.encode()):
            return None
        session = secrets.token_urlsafe(24)
        self.sessions.add(session)
        return session

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


class Headers:
    """Sets what a browser is told of every answer: load from here only, run no script of the page's text."""

    def __init__(self, app: ASGIApp) -> None:
        self.app = app

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """One request."""
        if scope["type"] != "http":
            await self.app(scope, receive, send)
            return
        nonce = secrets.token_urlsafe(16)
        scope["state"] = {**scope.get("state", {}), "nonce": nonce}

        async def with_headers(message: Message) -> None:
            if message["type"] == "http.response.start":
                headers = MutableHeaders(scope=message)
                headers.setdefault("Content-Security-Policy", policy(nonce))
                headers["X-Content-Type-Options"] = "nosniff"
                headers["Referrer-Policy"] = "same-origin"
                headers["X-Frame-Options"] = "DENY"
                headers["Cross-Origin-Opener-Policy"] = "same-origin"
                headers["Cross-Origin-Resource-Policy"] = "same-origin"
                headers.setdefault("Cache-Control", "no-store")
            await send(message)

        await self.app(scope, receive, with_headers)


def policy(nonce: str) -> str:
    """The content security policy of a page. The nonce is for the style of the drawn waveform alone."""
    return (
        f"default-src 'none'; script-src 'self'; style-src 'self' 'nonce-{nonce}'; img-src 'self' data:; "
        "media-src 'self' blob:; connect-src 'self' blob:; form-action 'self'; base-uri 'none'; frame-ancestors 'none'"
    )


class Hosts:
    """Answers only those who ask by a name that is served: another site may point a name of its own here."""

    def __init__(self, app: ASGIApp, names: Sequence[str]) -> None:
        self.app, self.names = app, {name.lower() for name in names}

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """One request."""
        if scope["type"] == "http":
            try:
                asked = urlsplit(f"//{Request(scope).headers.get('host', '')}").hostname
            except ValueError:
                asked = None
            if asked not in self.names:
                sentence = "This page is not served by that name; see --name of: assistant page"
                await PlainTextResponse(sentence, status_code=400)(scope, receive, send)
                return
        await self.app(scope, receive, send)


class Door:
    """Sends whoever has not given the token to where it is asked; lets the styles of that page through."""

    def __init__(self, app: ASGIApp, guard: Guard) -> None:
        self.app, self.guard = app, guard

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """One request."""
        if scope["type"] != "http":
            await self.app(scope, receive, send)
            return
        path = scope["path"]
        if path == "/enter" or path.startswith("/static/") or self.guard.knows(Request(scope)):
            await self.app(scope, receive, send)
            return
        await RedirectResponse("/enter", status_code=303)(scope, receive, send)
