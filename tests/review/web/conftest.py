"""The page, served over an invented shop, and a browser that looks at it."""

from __future__ import annotations

import shutil
import threading
import time
from collections.abc import Iterator
from pathlib import Path

import invented_shop
import pytest
import uvicorn

from assistant.review.store.folder import FolderStore
from assistant.review.web.app import create_app
from assistant.review.web.guard import Guard
from assistant.review.web.now import Follower

# Chromium calls out by itself; none of that is wanted, and a container has no sandbox.
QUIET = [
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--autoplay-policy=no-user-gesture-required",
]


@pytest.fixture(scope="session")
def visits(tmp_path_factory) -> Path:
    """The invented shop's visits; only read."""
    return invented_shop.shop(tmp_path_factory.mktemp("shop"))


@pytest.fixture
def folder(visits, tmp_path) -> Path:
    """A copy of it that a test may add to."""
    shutil.copytree(visits, tmp_path / "shop")
    return tmp_path / "shop"


@pytest.fixture
def served(folder) -> Iterator[str]:
    """The address of the page over `folder`."""
    yield from serve(FolderStore(folder), Guard(), Follower(folder))


def serve(shop, guard: Guard, follower: Follower | None = None) -> Iterator[str]:
    app = create_app(shop, guard, follower=follower)
    server = uvicorn.Server(uvicorn.Config(app, port=0, log_level="error"))
    thread = threading.Thread(target=server.run, daemon=True)
    thread.start()
    while not server.started:
        time.sleep(0.02)
    yield f"http://127.0.0.1:{server.servers[0].sockets[0].getsockname()[1]}"
    server.should_exit = True
    thread.join()


@pytest.fixture(scope="session")
def browser(playwright):
    running = playwright.chromium.launch(executable_path=shutil.which("chromium"), args=QUIET)
    yield running
    running.close()


@pytest.fixture
def tab(browser):
    """A page of the browser; what its console complains of fails the test."""
    page = browser.new_page(viewport={"width": 1200, "height": 900})
    complaints: list[str] = []
    page.on("console", lambda said: complaints.append(said.text) if said.type in ("error", "warning") else None)
    page.on("pageerror", lambda wrong: complaints.append(str(wrong)))
    page.complaints = complaints
    yield page
    page.close()
    assert complaints == []
