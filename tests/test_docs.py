"""The documents say what is so."""

import pytest

from assistant import documents
from assistant.language.table import what_can_be_said


def test_the_check_names_a_document_that_is_not_of_today(tmp_path, monkeypatch):
    monkeypatch.setattr(documents, "TOP", tmp_path)
    monkeypatch.setattr(documents, "DOCUMENTS", {"a.md": lambda: "new\n", "b.md": lambda: "new\n"})
    for name in ("a.md", "b.md"):
        (tmp_path / name).write_text("old\n" if name == "a.md" else "new\n", encoding="utf-8")
    with pytest.raises(SystemExit, match=r"^a\.md: not of today"):
        documents.main(["--check"])
    documents.main([])
    assert (tmp_path / "a.md").read_text(encoding="utf-8") == "new\n"
    with pytest.raises(SystemExit) as over:
        documents.main(["--check"])
    assert over.value.code == 0


def test_every_quantity_has_a_name_that_can_be_said(language, shelf):
    table = what_can_be_said(language)
    for name in shelf.quantities:
        row = next(line for line in table.splitlines() if line.startswith(f"| {name} |"))
        assert row.split("|")[2].strip(), name
