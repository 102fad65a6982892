"""What several tests share."""

import os
from collections.abc import Callable
from pathlib import Path

import parts
import pytest

from assistant.files import Library, library
from assistant.language.meaning import Question
from assistant.language.utterance import Language

ROOT = Path(__file__).parent.parent
NOT_RUN = pytest.StashKey[dict[str, int]]()


@pytest.fixture(scope="session")
def need(pytestconfig: pytest.Config) -> Callable[[str], None]:
    """Asks for a system part by its name in tests/parts.py; without it the test fails in CI, else is not run."""

    def ask(name: str) -> None:
        part = parts.PARTS[name]
        if part.there():
            return
        if os.environ.get("CI") == "true":
            pytest.fail(f"{name} is missing: {part.mend}", pytrace=False)
        counts = pytestconfig.stash.setdefault(NOT_RUN, {})
        counts[name] = counts.get(name, 0) + 1
        pytest.skip(f"{name} is missing")

    return ask


def pytest_terminal_summary(terminalreporter: pytest.TerminalReporter, config: pytest.Config) -> None:
    for name in config.stash.get(NOT_RUN, {}):
        terminalreporter.write_line(f"NOT RUN: the tests that need {name}. To run them: {parts.PARTS[name].mend}")


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
