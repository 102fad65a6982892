"""The assistant must not be able to answer itself: nothing it says is an answer where it is said.

It is half-duplex and does not listen while it speaks; this is the second wall (SPEECH 2.4).
"""

from __future__ import annotations

import csv

import pytest

from assistant.dialogue.effects import Say
from assistant.dialogue.events import Event, Opened, Quiet, Said, Voiced
from assistant.dialogue.machine import Dialogue
from assistant.files import library, read_job, top_folder
from assistant.language.heard import Heard
from assistant.language.meaning import Command, Reading, Readings
from assistant.session.loop import stretches

VISITS = top_folder("audio_fixtures") / "visits"

# Said at every step besides what the visit itself holds.
ASIDES = [
    "what is the limit", "how far", "banana", "say again", "note", "banana", "hold", "go on", "skip", "no",
    "helper reading",
    "three five", "between one and two", "one point seven kilopascals", "manifold three point five",
    "what is the limits", "no", "correction", "stop", "go on", "open",
]  # fmt: skip


def echoes(script: list[str]) -> list[tuple[str, str]]:
    """What the assistant says in a visit that, heard again where it is said, would be taken."""
    job = read_job(VISITS / "hot-surface.job.yaml")
    dialogue = Dialogue(library().language, library().rules_for(job))
    state, found, said = dialogue.start(), [], 0
    events = [Opened(), *(Said(Heard(text.lower())) for text in script), Quiet(30.0)]
    for begun in events:
        event: Event = begun
        while True:
            state, effects = dialogue.step(state, event)
            says = [effect for effect in effects if isinstance(effect, Say)]
            for text in [say.text for say in (*says, *stretches(says))]:
                said += 1
                meaning = dialogue.language.understand(text, dialogue.question(state), state.hand.refused)
                if isinstance(meaning, Command | Reading | Readings):
                    found.append((text, state.phase.value))
            if not says:
                break
            event = Voiced(complete=True)
    assert said > 100
    return found


def spoken(name: str) -> list[str]:
    with (VISITS / f"{name}.tsv").open(encoding="utf-8") as table:
        rows = csv.DictReader((line for line in table if not line.startswith("#")), delimiter="\t")
        return [row["text"] for row in rows]


@pytest.mark.parametrize("name", ["hot-surface", "gas-odour"])
def test_nothing_it_says_in_a_visit_would_be_taken(name):
    assert echoes(spoken(name)) == []


@pytest.mark.visits
def test_nothing_it_says_to_commands_and_mistakes_would_be_taken():
    script = []
    for at, text in enumerate(spoken("hot-surface")):
        script += [*ASIDES, text] if at % 4 == 3 else [text]
    assert echoes(script) == []


def test_no_title_of_a_step_or_a_part_would_be_heard_as_a_cry(language):
    """They are said in many sentences: what is taken back, how far the visit is, what was not checked."""
    steps = [step for procedure in library().procedures.values() for step in procedure.steps]
    titles = {*(step.title for step in steps), *(text for step in steps for text in step.bad.values())}
    titles |= {quantity.spoken for quantity in library().quantities.values()}
    assert [title for title in titles if language.urgent(title)] == []
