"""Whole visits through their recordings: real recognition, to the same record as in words.

One is heard here, the longest: a yearly check with a correction, a repair and a skip, by two people. The other three
are heard by `make bench-visits`.
"""

from __future__ import annotations

import csv

import pytest
from script import step_in_words, table_of

from assistant.dialogue.effects import Note
from assistant.dialogue.events import Event, Opened, Said, Voiced
from assistant.dialogue.machine import Dialogue
from assistant.dialogue.state import Phase
from assistant.files import library, read_job, top_folder
from assistant.language.heard import Heard
from assistant.record.record import Record

FIXTURES = top_folder("audio_fixtures") / "visits"
VISITS = sorted(path.name.removesuffix(".say.yaml") for path in FIXTURES.glob("*.say.yaml"))
HEARD = ("hot-surface", "hot-surface-brief")  # what the demo plays without a name is always heard

# What the visit holds in the end, and what of each entry; times are compared apart.
HELD = {
    "reading": ("step", "quantity", "value", "unit", "verdict", "stage", "speaker"),
    "finding": ("finding", "value", "verdict"),
    "answer": ("step", "answer"),
    "unclear": ("step", "reason"),
    "skipped": ("step", "reason"),
    "repair": ("repair", "voids"),
    "correction": ("quantity", "withdrawn"),
    "remark": ("step", "text"),
    "decision": ("stays_on",),
    "site": ("power", "gas"),
}


def held(kind: str, body: dict) -> tuple | None:
    if kind not in HELD or (kind == "reading" and body["words"] == "mark"):
        return None
    return (kind, *(str(body[key]) for key in HELD[kind]))


def spoken(name: str) -> list[dict[str, str]]:
    with (FIXTURES / f"{name}.spoken.tsv").open(encoding="utf-8") as table:
        return list(csv.DictReader((line for line in table if not line.startswith("#")), delimiter="\t"))


def in_words(name: str) -> list[tuple[str, dict]]:
    """What the dialogue notes where every utterance of the recording is understood as it was meant."""
    dialogue = Dialogue(library().language, library().rules_for(read_job(FIXTURES / f"{name}.job.yaml")))
    state, noted = dialogue.start(), []
    said = [Said(Heard(row["text"].lower()), float(row["start_s"]), "x.flac") for row in spoken(name)]
    for event in [Opened(), *said]:
        follows: Event | None = event
        while follows:
            state, effects = dialogue.step(state, follows)
            noted += [(e.kind, e.body) for e in effects if isinstance(e, Note)]
            follows = Voiced(complete=True) if any(not isinstance(e, Note) for e in effects) else None
    return noted


@pytest.mark.parametrize(
    "name", [pytest.param(name, marks=() if name in HEARD else pytest.mark.bench) for name in VISITS]
)
def test_the_record_of_a_recorded_visit_is_what_was_meant(name, recorded_visit):
    with Record.open(recorded_visit(name), read_only=True) as record:
        made = [(entry.kind, entry.body) for entry in record.entries()]
    meant = in_words(name)
    assert [held(*note) for note in made if held(*note)] == [held(*note) for note in meant if held(*note)]

    def timed(notes):
        return {b["quantity"]: float(b["value"]) for kind, b in notes if kind == "reading" and b["words"] == "mark"}

    assert timed(made)
    assert timed(made) == pytest.approx(timed(meant), abs=0.15)


def test_there_is_a_recorded_visit_of_each_ignition_system():
    jobs = [read_job(FIXTURES / f"{name}.job.yaml") for name in VISITS]
    assert {job.appliance.ignition for job in jobs} == {p.ignition for p in library().procedures.values()}
    assert {job.appliance.fuel for job in jobs} == {"natural gas", "LP"}


@pytest.mark.parametrize("name", VISITS)
def test_the_table_of_a_recording_is_what_walking_the_visit_gives(name):
    assert (FIXTURES / f"{name}.tsv").read_text(encoding="utf-8") == table_of(FIXTURES / f"{name}.say.yaml")


def test_step_in_words_plays_everything_that_is_said():
    dialogue = Dialogue(library().language, library().rules_for(read_job(FIXTURES / "hot-surface.job.yaml")))
    assert dialogue.step(dialogue.start(), Opened())[0].phase is Phase.WARNING
    assert step_in_words(dialogue, dialogue.start(), Opened()).phase is Phase.ASKING  # its hazards were played
