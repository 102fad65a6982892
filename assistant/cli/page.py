"""`assistant page`: serves the supervisor's page."""

from __future__ import annotations

import os
import secrets
import socket
import threading
from collections.abc import Iterator, Sequence
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Annotated

import typer
import uvicorn

from assistant.cli.terminal import FOLDER, lines
from assistant.errors import Problem
from assistant.places import visits_folder
from assistant.record import folder as visits
from assistant.review.store.accounts import Accounts
from assistant.review.store.folder import FolderStore
from assistant.review.store.store import Store
from assistant.review.web.app import create_app
from assistant.review.web.guard import LOOPBACK, Guard
from assistant.review.web.now import Follower

PATIENCE_S = 0.4
"""How long a list waits for visits that were not read yet: with the drawing of the page, less than a second."""

TOKEN = "ASSISTANT_PAGE_TOKEN"
"""The variable that may hold the token: on a command line everybody on the machine could read it."""


def page(
    folder: FOLDER,
    store: Annotated[
        str, typer.Option("--store", envvar="ASSISTANT_STORE", help="A shop's store instead of a folder.")
    ] = "",
    host: Annotated[str, typer.Option("--host", help="Address to serve; other than this machine needs a token.")] = (
        "127.0.0.1"
    ),
    name: Annotated[
        list[str] | None, typer.Option("--name", help="A name or address by which others reach it; repeat it for more.")
    ] = None,
    port: Annotated[int, typer.Option("--port", help="Port to serve.", min=0, max=65535)] = 8765,
) -> None:
    """Serve the supervisor's page: visits, one visit's time line, trends, which steps go wrong; at /now the visit that
    goes on, for a screen beside the work."""
    shop = open_shop(folder, store)
    guard = Guard(token_for(host), accounts=Accounts(shop) if store else None)
    hosts = hosts_for(host, name or [])
    served = create_app(shop, guard, hosts, None if store else Follower(folder))
    if guard.asks == "password":
        lines.print("It asks for name and password: those of assistant shop user.")
    elif guard.token:
        lines.print(f"Token: {guard.token}")
    try:
        opened = socket.create_server((host, port), family=socket.AF_INET6 if ":" in host else socket.AF_INET)
    except OSError as wrong:
        raise Problem(f"The page cannot be served at {host}, port {port}; is it in use? Try another --port.") from wrong
    at = f"[{host}]" if ":" in host else host
    lines.print(
        f"The page is at http://{at}:{opened.getsockname()[1]}/ until Ctrl-C; the visit that goes on is at /now."
    )
    with _read_ahead(shop):
        uvicorn.Server(uvicorn.Config(served, log_level="warning", server_header=False)).run(sockets=[opened])
    raise KeyboardInterrupt  # nothing else ends it; the server has taken it and closed down


def hosts_for(host: str, names: Sequence[str]) -> list[str]:
    """The names by which the page answers. Problem where it is served at every address, and no name was told."""
    if host in ("0.0.0.0", "::") and not names:
        raise Problem(f"With --host {host} say by which name or address others reach this machine, with --name.")
    return [*LOOPBACK, *([] if host in ("0.0.0.0", "::") else [host]), *names]


def token_for(host: str) -> str | None:
    """None where only this machine reaches the page; else the token of the environment, or a new one."""
    token = os.environ.get(TOKEN, "")
    if token and len(token) < 16:
        raise Problem(f"The token in {TOKEN} is too short to keep anybody out; use at least 16 characters.")
    if host in LOOPBACK:
        return token or None
    return token or secrets.token_urlsafe(24)


def open_shop(folder: Path, store: str = "") -> Store:
    """The visits to show: of a store, or without one of a folder."""
    if store:
        return Store.open(store)
    if folder == visits_folder():
        visits.make(folder)  # the page may be opened before the first visit
    if not folder.is_dir():
        raise Problem(f"There is no folder {folder}; name where the visits are with --folder.")
    return FolderStore(folder, PATIENCE_S)


@contextmanager
def _read_ahead(shop: Store) -> Iterator[None]:
    """Meanwhile takes the visits in before somebody asks, in short turns, so that whoever asks gets an answer."""
    stopped = threading.Event()

    def read() -> None:
        with suppress(Problem):  # whoever asks is told
            if isinstance(shop, FolderStore):
                shop.look_again()
                while shop.waiting and not stopped.is_set():
                    shop.take_in(PATIENCE_S)

    thread = threading.Thread(target=read)
    thread.start()
    try:
        yield
    finally:
        stopped.set()
        thread.join()
