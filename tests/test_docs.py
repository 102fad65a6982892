"""The documents say what is so."""

from pathlib import Path

import pytest

from assistant.documents import DOCUMENTS
from assistant.language.table import what_can_be_said

ROOT = Path(__file__).parent.parent


@pytest.mark.parametrize("name", DOCUMENTS)
def test_a_document_made_from_the_data_is_of_today(name):
    assert (ROOT / name).read_text(encoding="utf-8") == DOCUMENTS[name](), "run: make docs"


def test_every_quantity_has_a_name_that_can_be_said(language, shelf):
    table = what_can_be_said(language)
    for name in shelf.quantities:
        row = next(line for line in table.splitlines() if line.startswith(f"| {name} |"))
        assert row.split("|")[2].strip(), name
