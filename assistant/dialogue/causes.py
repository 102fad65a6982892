"""What people ask of the fault: the symptom is told, the probable causes and the next measurement are asked. Pure."""

from __future__ import annotations

from dataclasses import replace

from assistant.dialogue.context import Context, Turn, say
from assistant.dialogue.effects import Note
from assistant.dialogue.events import Said
from assistant.dialogue.ranking import evidence, probable
from assistant.dialogue.state import State
from assistant.dialogue.steps import presented
from assistant.language.meaning import Command, Meaning
from assistant.trade.faults import because
from assistant.wording import english as wording


def symptom(dialogue: Context, state: State, event: Said, meaning: Command) -> Turn:
    """ "Symptom, no glow": what the appliance does or does not do."""
    name = meaning.of
    known = dialogue.rules.faults.symptoms.get(name)
    if known is None:
        return presented(dialogue, state, say(wording.NO_SUCH_SYMPTOM))
    state = replace(state, told=(*state.told, name))
    note = Note("symptom", {"step": state.step, "symptom": name, "words": event.heard.text, "audio": event.audio})
    told = [wording.SYMPTOM_KEPT.format(name=name)]
    if known.never_run_as_found and state.site.gas != "on":
        told.append(wording.NO_CYCLE_AS_FOUND)
    if known.hint:
        told.append(known.hint)
    if not dialogue.rules.faults.rows_of(name, dialogue.rules.job.appliance):
        told.append(wording.NO_CAUSE_KNOWN)
    return presented(dialogue, state, [note, *say(" ".join(told), "answer")])


def probable_cause(dialogue: Context, state: State, event: Said, meaning: Meaning) -> Turn:
    """The ranked causes in one sentence, with what speaks for the first."""
    seen = evidence(dialogue.rules, state)
    causes = probable(dialogue.rules, state, seen)
    why = because(dialogue.rules.faults, seen, causes)
    body = {
        "step": state.step,
        "causes": [[each.cause, round(each.probability, 2)] for each in causes],
        "because": [why, seen[why]] if why else [],
    }
    told = wording.probable_cause(dialogue.rules, causes, why, seen)
    return presented(dialogue, state, [Note("probable-cause", body), *say(told, "answer")])


def next_measurement(dialogue: Context, state: State, event: Said, meaning: Meaning) -> Turn:
    """What to measure next, and whether power or gas would have to change first; it changes neither."""
    rules = dialogue.rules
    seen = evidence(dialogue.rules, state)
    best = rules.faults.next_best(seen, rules.job.appliance, state.site, state.symptom or None)
    body = {"step": state.step, "observation": best or ""}
    told = wording.next_measurement(rules, best, state.site)
    return presented(dialogue, state, [Note("next-measurement", body), *say(told, "answer")])
