"""The documents say what is so."""

from assistant.files import top_folder
from assistant.language.table import what_can_be_said


def test_the_table_of_what_can_be_said_is_of_today(language):
    written = (top_folder("grammars") / "README.md").read_text(encoding="utf-8")
    assert written == what_can_be_said(language), "run: make docs"


def test_every_quantity_has_a_name_that_can_be_said(language, shelf):
    table = what_can_be_said(language)
    for name in shelf.quantities:
        row = next(line for line in table.splitlines() if line.startswith(f"| {name} |"))
        assert row.split("|")[2].strip(), name
