"""Every entry that was ever written is read into its class, and nothing of it is lost."""

from __future__ import annotations

import re
from pathlib import Path

import msgspec
import pytest

from assistant import dialogue
from assistant.record import entries as e
from assistant.record.chain import from_line
from assistant.review.replay import decided

CORPUS = sorted((Path(__file__).parents[1] / "corpus").glob("*.jsonl"))


@pytest.mark.parametrize("path", CORPUS, ids=lambda path: path.stem)
def test_all_that_each_entry_of_the_corpus_says_is_in_its_class(path):
    for line in path.read_text(encoding="utf-8").splitlines():
        row = from_line(line)
        body = e.read(row)
        assert (body.kind, body.seq, body.utc) == (row.kind, row.seq, row.utc)
        assert not isinstance(body, e.Unknown), row.kind
        assert holds(msgspec.to_builtins(body, enc_hook=lambda rule: rule.model_dump(mode="json")), known(row.body))


def holds(read: object, written: object) -> bool:
    """Whether all that was written is in what was read; that has what was left out, too."""
    if isinstance(written, dict):
        return isinstance(read, dict) and all(key in read and holds(read[key], written[key]) for key in written)
    if isinstance(written, list):
        return len(read) == len(written) and all(map(holds, read, written))
    return type(read) is type(written) and read == written


def known(body: dict) -> dict:
    """Without what an older program wrote of what was heard and this one does not."""
    if "heard" in body:
        body["heard"].pop("second", None)
    return body


def test_the_kind_is_the_name_of_the_class():
    assert e.KINDS["heard-reading"] is e.HeardReading
    assert e.KINDS["said"] is e.Said
    assert not {"body", "unknown", "event", "fact", "step", "judged"} & set(e.KINDS)


@pytest.mark.parametrize(
    ("kind", "body"),
    [("of-a-later-version", {"what": 1}), ("reading", {"step": "flame"}), ("site", {"step": 1, "power": "on"})],
)
def test_what_cannot_be_read_is_kept_as_it_is(kind, body):
    unknown = e.of(kind, body, 7, "2026-01-05T09:00:00.000Z")
    assert isinstance(unknown, e.Unknown)
    assert (unknown.kind, unknown.seq, unknown.json) == (kind, 7, body)


def test_a_decision_of_the_set_up_is_shown_before_it_is_recorded():
    assert decided(e.of("set-up", {"asked": "fuel", "decided": "taken: LP"})) == "fuel: taken: LP"


def test_a_key_that_is_not_known_is_passed_over():
    assert e.of("hold", {"step": "flame", "of_another_version": 1}) == e.Hold("flame")


def test_a_limit_that_is_refused_today_does_not_hide_the_reading():
    lines = (line for path in CORPUS for line in path.read_text(encoding="utf-8").splitlines())
    entries = [from_line(line) for line in lines]
    body = next(entry.body for entry in entries if entry.kind == "reading" and entry.body["limit"])
    wrong = {**body, "limit": {**body["limit"], "unit": "cubit"}}
    reading = e.of("reading", wrong)
    assert isinstance(reading, e.Reading)
    assert (reading.value, reading.verdict, reading.limit) == (body["value"], body["verdict"], None)


def test_every_kind_that_the_dialogue_notes_has_its_class():
    sources = "".join(path.read_text(encoding="utf-8") for path in Path(dialogue.__file__).parent.glob("*.py"))
    noted = set(re.findall(r'\bNote\(\s*"([a-z-]+)"', sources))
    assert len(noted) > 40
    assert noted <= set(e.KINDS)
