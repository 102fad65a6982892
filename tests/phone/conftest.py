from __future__ import annotations

import pytest
from desk import Desk

from assistant.phone.server import serving


@pytest.fixture
def desk(tmp_path):
    desk = Desk(tmp_path)
    with serving(desk.server, desk.place):
        yield desk
        for phone in desk.phones:
            phone.cut()
