"""What several tests share."""

from pathlib import Path

import pytest

from assistant.files import Library, library
from assistant.language.meaning import Question
from assistant.language.utterance import Language

ROOT = Path(__file__).parent.parent


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
