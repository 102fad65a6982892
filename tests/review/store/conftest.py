from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path

import private_postgresql
import pytest
import scripted_visits

from assistant.review.store.store import Store


@pytest.fixture(scope="session")
def postgresql(need: Callable[[str], None]) -> Iterator[private_postgresql.Cluster]:
    need("postgresql")
    with private_postgresql.cluster() as cluster:
        yield cluster


@pytest.fixture(params=["sqlite", "postgresql"])
def where(request: pytest.FixtureRequest, tmp_path: Path) -> str:
    """The address of a store that is not there yet."""
    if request.param == "sqlite":
        return str(tmp_path / "shop.sqlite")
    return request.getfixturevalue("postgresql").database()


@pytest.fixture
def store(where: str) -> Iterator[Store]:
    with Store.open(where, make=True) as opened:
        yield opened


@pytest.fixture(scope="session")
def visit(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A visit whose igniter was replaced, one voltage corrected; sound in every entry. Not to be changed."""
    return scripted_visits.visit(tmp_path_factory.mktemp("visit"), scripted_visits.EVENTFUL)
