"""A visit with every kind of event is folded again from what its record would hold, to the same decisions."""

from __future__ import annotations

import json

import msgspec
import pytest
from simulated import FOUR, Technician

from assistant.dialogue.effects import Note, Say
from assistant.dialogue.state import Phase
from assistant.files import library
from assistant.language.meaning import Unclear
from assistant.record.entries import of
from assistant.record.fold import EVENTS
from assistant.record.setting import Setting
from assistant.session.loop import stretches

NEW = {"mark", "times", "repair", "stands", "summary", "decision", "notice", "told", "follow-up", "marks-dropped"}


def eventful() -> Technician:
    """A visit with marks that fit nothing, marks that count, a repair, and shutting off at the end."""
    technician = Technician(library().procedures["hot-surface-natural-gas-commissioning"])
    technician.go_to("sequence")
    for at, text in ((1, "mark flame"), (2, "mark gas"), (3, "done")):
        technician.say(text, 9000 + at)
    technician.answer_step("pass" if "pass" in technician.answers(technician.procedure.step("sequence")) else "caution")
    while technician.state.step != "flame" or technician.state.phase is not Phase.ASKING:
        technician.turn()
    technician.say("repair flame rod cleaned")
    technician.say("yes")
    while technician.state.phase is not Phase.DECIDING:
        technician.turn()
    technician.say("no")
    while technician.state.phase is not Phase.CLOSED:
        technician.turn()
    return technician


def test_a_visit_folds_to_the_same_decisions_from_plain_json():
    technician = eventful()
    made = [(note.kind, note.body) for note in technician.notes]
    assert {kind for kind, _ in made} >= NEW
    setting = Setting(technician.dialogue.rules, library().grammar_texts, "scripted", "scripted")
    dialogue = Setting.of(of("visit", json.loads(json.dumps(setting.to_body())))).dialogue()
    state, again = dialogue.start(), []
    for event in technician.events:
        body = json.loads(json.dumps(msgspec.to_builtins(event)))
        kind = next(name for name, of in EVENTS.items() if isinstance(event, of))
        state, effects = dialogue.step(state, msgspec.convert(body, EVENTS[kind]))
        again += [(effect.kind, effect.body) for effect in effects if isinstance(effect, Note)]
    assert json.dumps(again) == json.dumps(made)
    assert state == technician.state


@pytest.mark.parametrize("name", FOUR)
def test_nothing_it_says_in_a_visit_of_any_system_would_be_taken(name):
    technician = Technician(library().procedures[name])
    technician.work()
    dialogue, state, heard = technician.dialogue, technician.dialogue.start(), []
    for event in technician.events:
        state, effects = dialogue.step(state, event)
        says = [effect for effect in effects if isinstance(effect, Say)]
        for text in [say.text for say in (*says, *stretches(says))]:
            meaning = dialogue.language.understand(text, dialogue.question(state), state.hand.refused)
            if not isinstance(meaning, Unclear):
                heard.append((text, state.phase.value))
    assert heard == []
