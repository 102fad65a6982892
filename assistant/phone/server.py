"""The phone's page and its socket, served by a thread of its own while a visit is worked."""

from __future__ import annotations

import asyncio
import contextlib
import json
import logging
import secrets
import socket
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass, replace
from ipaddress import ip_address
from pathlib import Path

import uvicorn
from starlette.applications import Starlette
from starlette.concurrency import run_in_threadpool
from starlette.middleware import Middleware
from starlette.requests import Request
from starlette.responses import FileResponse, HTMLResponse, PlainTextResponse, Response
from starlette.routing import Mount, Route, WebSocketRoute
from starlette.staticfiles import StaticFiles
from starlette.websockets import WebSocket, WebSocketDisconnect

from assistant.errors import Problem
from assistant.phone.line import CLIP, Broken, Line, PhoneRoute, Refused, Send
from assistant.phone.tls import Certificate, HttpsOnly
from assistant.places import voice_cache
from assistant.review.report.page import environment
from assistant.review.web.guard import Headers, Hosts
from assistant.review.web.now import Follower, Glance
from assistant.speech.audio import Audio, resample
from assistant.speech.devices import WATCHDOG_S
from assistant.speech.voice import Engine, Voice
from assistant.wording import phone as wording

TICK_S = 0.25
"""How often the phone is told that the visit goes on, and looked at."""
HELLO_S = 5.0  # a socket that does not say who it is by then is closed
LARGEST = 1_000_000
"""Bytes of a message that are read at all; a block of sound has fewer by far."""
REFUSED, OVER, AGAIN = 4000, 4001, 4002
"""Why a socket was closed: the page is not to come back; the visit is over; it may come back at once."""

Tell = Callable[[str], None]


@dataclass(frozen=True)
class Place:
    """Where the page is served: by which name or address a phone reaches this machine, and which port."""

    address: str
    port: int
    certificate: Certificate | None  # None: on this machine alone, where a browser takes a plain page for secure

    @property
    def origin(self) -> str:
        """What the page's address begins with."""
        host = f"[{self.address}]" if ":" in self.address else self.address
        return f"{'https' if self.certificate else 'http'}://{host}:{self.port}"


class Server:
    """Serves the lines' page and socket.

    follower: of the visit that goes on. clip: what a phone says when it cannot hear the visit. tell: shown where the
    visit is worked.
    """

    def __init__(self, lines: list[Line], follower: Follower, place: Place, clip: Audio, tell: Tell) -> None:
        self.look = secrets.token_urlsafe(8)
        """What the address of the view without sound ends with."""
        self._lines, self._follower, self.place, self._clip, self._tell = lines, follower, place, clip, tell
        self._environment = environment()
        self._over = False
        own, web = Path(__file__).parent / "static", Path(__file__).parents[1] / "review" / "web" / "static"
        self.app = Starlette(
            routes=[
                Route("/", self._page),
                Route("/now/{look}", self._now),
                Route("/now/{look}/glance", self._now),
                WebSocketRoute("/phone/sound", self._sound),
                Mount("/phone", StaticFiles(directory=own)),
                Mount("/static", StaticFiles(directory=web)),
            ],
            middleware=[Middleware(Headers), Middleware(Hosts, names=[place.address], sentence=wording.OTHER_NAME)],
        )

    def end(self) -> None:
        """Tells the phones that the visit is over, and waits until they were told."""
        self._over = True
        until_s = time.monotonic() + 2 * TICK_S
        while any(line.joined.is_set() for line in self._lines) and time.monotonic() < until_s:
            time.sleep(0.02)

    # --- the view

    def _page(self, request: Request) -> Response:
        return FileResponse(Path(__file__).parent / "static" / "phone.html")

    def _now(self, request: Request) -> Response:
        if not secrets.compare_digest(request.path_params["look"].encode(), self.look.encode()):
            return PlainTextResponse(wording.WRONG_CODE, 404)
        if request.url.path.endswith("glance"):
            return HTMLResponse(self.glance())
        return HTMLResponse(self._environment.get_template("now.html.j2").render(g=self._follower.glance()))

    def glance(self) -> str:
        """The visit at a glance, as HTML."""
        try:
            seen = self._follower.glance()
        except Exception:  # a fault of the view is not to end the sound
            seen = Glance("not listening", wording.NO_VIEW)
        technician = self._lines[0]
        if not technician.joined.is_set():
            why = wording.LOST.format(phone=wording.PHONES["technician"], why=wording.NOT_THERE)
            seen = replace(seen, hears="not listening", why=why)
        return self._environment.get_template("glance.html.j2").render(g=seen)

    # --- the sound

    async def _sound(self, websocket: WebSocket) -> None:
        if websocket.headers.get("origin") != self.place.origin:
            await websocket.send_denial_response(PlainTextResponse(wording.FOREIGN, 403))
            return
        await websocket.accept()
        try:
            await self._let_in(websocket)
        except Refused as refused:
            await _close(websocket, REFUSED, str(refused))
        except Broken as broken:
            await _close(websocket, AGAIN, str(broken))
        except (KeyError, TypeError, ValueError, AttributeError):
            await _close(websocket, REFUSED, wording.NO_MESSAGE)
        except (WebSocketDisconnect, TimeoutError):
            await _close(websocket, AGAIN, "")

    async def _let_in(self, websocket: WebSocket) -> None:
        """Serves the phone until it is gone."""
        hello = json.loads(await asyncio.wait_for(websocket.receive_text(), HELLO_S))
        line, key = self._line_of(str(hello.get("code") or ""), str(hello.get("key") or ""))
        loop, outbox = asyncio.get_running_loop(), asyncio.Queue[str | bytes]()

        def send(message: str | bytes) -> None:
            with contextlib.suppress(RuntimeError):  # the loop has ended
                loop.call_soon_threadsafe(outbox.put_nowait, message)

        line.attach(send, hello)
        self._tell(wording.THERE.format(phone=wording.PHONES[line.role]))
        send(json.dumps({"key": key}))
        kept = resample(self._clip, line.microphone.device_rate_hz).samples
        send(CLIP.to_bytes(4, "little") + kept.tobytes())
        why = wording.NETWORK
        served = _read(websocket, line, send), _write(websocket, outbox), self._tick(line, send), self._show(send)
        tasks = [asyncio.create_task(each) for each in served]
        try:
            done, _ = await asyncio.wait(tasks, return_when=asyncio.FIRST_COMPLETED)
            for task in done:
                task.result()
        except (Refused, Broken) as wrong:
            why = str(wrong)
            raise
        except TimeoutError:
            why = wording.NO_SOUND.format(seconds=WATCHDOG_S)
            raise
        finally:
            for task in tasks:
                task.cancel()
            if line.detach(send, why) and not self._over:
                lost = wording.LOST if line.role == "technician" else wording.HELPER_LOST
                self._tell(lost.format(phone=wording.PHONES[line.role], why=why.rstrip(".")))
        await _close(websocket, OVER, wording.OVER)

    def _line_of(self, code: str, key: str) -> tuple[Line, str]:
        for line in self._lines:
            with contextlib.suppress(Refused):
                return line, line.admit(code, key)
        raise Refused(wording.WRONG_CODE)

    async def _tick(self, line: Line, send: Send) -> None:
        """Tells the phone that the visit goes on, until it is over. TimeoutError where the phone gives no sound any
        more."""
        while not self._over:
            if not line.has(send):
                raise Refused(wording.SECOND_PAGE)
            if not line.microphone.attached or line.microphone.silent_s > WATCHDOG_S:
                raise TimeoutError
            send(json.dumps({"tick": time.monotonic()}))
            await asyncio.sleep(TICK_S)

    async def _show(self, send: Send) -> None:
        """Keeps the phone's screen at the visit. Apart from the ticks: a record that is being written is waited for."""
        shown = ""
        while True:
            now = await run_in_threadpool(self.glance)
            if now != shown:
                send(json.dumps({"now": now}))
            shown = now
            await asyncio.sleep(TICK_S)


async def _write(websocket: WebSocket, outbox: asyncio.Queue[str | bytes]) -> None:
    while True:
        message = await outbox.get()
        await (websocket.send_text(message) if isinstance(message, str) else websocket.send_bytes(message))


async def _read(websocket: WebSocket, line: Line, send: Send) -> None:
    while True:
        message = await websocket.receive()
        if message["type"] == "websocket.disconnect":
            raise WebSocketDisconnect(message.get("code", 1006))
        if not line.has(send):
            raise Refused(wording.SECOND_PAGE)
        if message.get("bytes"):
            line.microphone.receive(message["bytes"])
        else:
            line.told(json.loads(message["text"]))


async def _close(websocket: WebSocket, code: int, reason: str) -> None:
    with contextlib.suppress(RuntimeError, WebSocketDisconnect):  # it is gone already
        await websocket.close(code, reason)


@contextmanager
def serving(server: Server, place: Place) -> Iterator[None]:
    """Serves while inside `with`. Raises Problem where the port is in use."""
    config = uvicorn.Config(
        server.app,
        http=_https_only(place.certificate) if place.certificate else "auto",
        log_level="error",
        server_header=False,
        ws_max_size=LARGEST,
        ws_per_message_deflate=False,  # sound does not shrink by it
        timeout_graceful_shutdown=2,
    )
    logging.getLogger("asyncio").setLevel(logging.ERROR)  # of a phone that is gone it says so at each write
    running = uvicorn.Server(config)
    with _bound(place) as bound:
        thread = threading.Thread(target=running.run, args=([bound],), daemon=True)
        thread.start()
        try:
            yield
        finally:
            server.end()
            running.should_exit = True
            thread.join(5)


def _https_only(certificate: Certificate) -> type[HttpsOnly]:
    return type("HttpsOnly", (HttpsOnly,), {"context": certificate.context})


def _bound(place: Place) -> socket.socket:
    """A socket at the address that is served; at all of this machine's, where a name is given for it."""
    local = "127.0.0.1" if place.address == "localhost" else place.address
    try:
        ip_address(local)
    except ValueError:
        local = "0.0.0.0"
    try:
        return socket.create_server((local, place.port), family=socket.AF_INET6 if ":" in local else socket.AF_INET)
    except OSError as wrong:
        told = wording.NOT_SERVED.format(address=place.address, port=place.port, why=wrong.strerror)
        raise Problem(told) from wrong


def address_here() -> str:
    """This machine's address on its network. Raises Problem where it is on none."""
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as asked:
        try:
            asked.connect(("192.0.2.1", 9))  # of a network that is nowhere (RFC 5737); nothing is sent
        except OSError as wrong:
            raise Problem(wording.NO_ADDRESS) from wrong
        return str(asked.getsockname()[0])


def open_route(
    rate_hz: int,
    stack: ExitStack,
    place: Place,
    folder: Path,
    engine: Engine,
    with_helper: bool,
    show: Callable[[Server, list[Line]], None],
    tell: Tell,
) -> PhoneRoute:
    """Both ways of the sound by phone: serves the page until the stack is left, and waits for the phone.

    folder: where visits lie. show: shows the codes. tell: shows that a phone is there or gone. Raises Problem.
    """
    lines = [Line(role, rate_hz) for role in (("technician", "helper") if with_helper else ("technician",))]
    with Voice(voice_cache(), engine) as voice:
        clip = voice.render(wording.SAID_WHEN_LOST)
    server = Server(lines, Follower(folder), place, clip, tell)
    stack.enter_context(serving(server, place))
    show(server, lines)
    route = PhoneRoute(*lines)
    while not route.recover():
        time.sleep(TICK_S)
    return route
