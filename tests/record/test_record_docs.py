"""docs/record.md says what the record holds."""

from pathlib import Path

from assistant.record.fold import EVENTS, FACTS
from assistant.record.record import SCHEMA_VERSION
from assistant.record.seal import SEALED

TEXT = (Path(__file__).parents[2] / "docs" / "record.md").read_text(encoding="utf-8")


def test_every_kind_that_is_no_decision_is_in_the_docs():
    for kind in (*EVENTS, *FACTS, SEALED):
        assert f"| `{kind}` |" in TEXT, kind
    assert f"schema version {SCHEMA_VERSION}" in TEXT
