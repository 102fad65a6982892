"""The sound card of the live tests."""

from __future__ import annotations

import pytest
from card import Card


@pytest.fixture
def card(need):
    need("pulseaudio")
    with Card() as card:
        yield card
