"""What several tests share."""

import io
import os
import shutil
import signal
import sys
import tempfile
from collections.abc import Callable
from pathlib import Path

import parts
import platformdirs
import pytest
from hypothesis import HealthCheck, settings

from assistant import cli
from assistant.files import Library, library, use_shop
from assistant.language.meaning import Question
from assistant.language.utterance import Language

ROOT = Path(__file__).parent.parent

# How many examples each property is tried with: 200 in the tests, 10,000 in `make bench-fuzz`. A machine that is busy
# with other work is slow, which is no failure.
_ALIKE = {"deadline": None, "suppress_health_check": [HealthCheck.too_slow]}
settings.register_profile("tests", max_examples=200, **_ALIKE)
settings.register_profile("bench", max_examples=10_000, **_ALIKE)
settings.load_profile("tests")

# A record syncs each entry, and a visit of a test has hundreds: in memory nobody waits for that. What the tests and the
# programs that they start write takes a tenth of ROOM.
MEMORY, ROOM = Path("/dev/shm"), 4_000_000_000
if os.access(MEMORY, os.W_OK) and shutil.disk_usage(MEMORY).free > ROOM:
    os.environ.setdefault("TMPDIR", str(MEMORY))
    tempfile.tempdir = None  # so that it is looked up again


# A shell starts what runs in the background with Ctrl-C ignored, and so would be the visits that tests stop by it.
if signal.getsignal(signal.SIGINT) is signal.SIG_IGN:
    signal.signal(signal.SIGINT, signal.default_int_handler)


@pytest.fixture(scope="session")
def need() -> Callable[[str], None]:
    """Asks for a system part by its name in tests/parts.py; without it the test fails in CI, else is not run."""

    def ask(name: str) -> None:
        part = parts.PARTS[name]
        if part.there():
            return
        if os.environ.get("CI") == "true":
            pytest.fail(f"{name} is missing: {part.mend}", pytrace=False)
        pytest.skip(f"{name} is missing")

    return ask


# The files with the longest tests: where several processes share the tests, these begin first, so that none of them is
# alone at the end.
LONGEST = (
    "test_through_audio.py",
    "test_cli.py",
    "test_words_heard.py",
    "test_headset.py",
    "test_browser.py",
    "test_torture.py",
    "test_check.py",
    "test_page.py",
    "test_app.py",
    # Four processes take one each of these; the second takes the fifth file, too.
    "test_live_visit.py",
    "test_phone_visit.py",
    "test_live_set_up.py",
    "test_live_devices.py",
)


@pytest.hookimpl(trylast=True)  # after they were shuffled
def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    place = {name: at for at, name in enumerate(LONGEST)}
    items.sort(key=lambda item: place.get(item.path.name, len(LONGEST)))


def pytest_terminal_summary(terminalreporter: pytest.TerminalReporter) -> None:
    # Read off the reports, which come from every process that runs tests.
    said = " ".join(str(report.longrepr) for report in terminalreporter.getreports("skipped"))
    for name, part in parts.PARTS.items():
        if f"{name} is missing" in said:
            terminalreporter.write_line(f"NOT RUN: the tests that need {name}. To run them: {part.mend}")


@pytest.fixture(scope="session")
def cache() -> Path:
    """Where programs keep caches, for those that a test starts with a home of their own: phrases and the sounds of the
    voice take seconds to make, and most are there already."""
    return platformdirs.user_cache_path()


@pytest.fixture(scope="session")
def shelf() -> Library:
    return library()


@pytest.fixture(scope="session")
def language(shelf: Library) -> Language:
    return shelf.language


@pytest.fixture(scope="session")
def ask(shelf: Library):
    """The question for a quantity."""
    return lambda name: Question(name, shelf.quantities[name])


@pytest.fixture
def run(capfd, monkeypatch):
    """Runs a command line in this process; its exit status, output and error output."""
    interrupted = signal.getsignal(signal.SIGINT)  # which the end of a stopped command switches off

    def command(*arguments: object, stdin: str = "") -> tuple[int, str, str]:
        monkeypatch.setattr("sys.argv", ["assistant", *map(str, arguments)])
        monkeypatch.setattr("sys.stdin", io.StringIO(stdin))
        monkeypatch.setattr("sys.unraisablehook", sys.unraisablehook)  # which it silences, too
        status = 0
        try:
            cli.main()
        except SystemExit as ended:
            status = int(ended.code or 0)
        signal.signal(signal.SIGINT, interrupted)
        use_shop(None)
        out, err = capfd.readouterr()
        return status, out, err

    return command


@pytest.fixture(scope="session")
def playwright(need):
    """What drives browsers; there can be one in a process."""
    need("chromium")
    from playwright.sync_api import sync_playwright

    with sync_playwright() as running:
        yield running
