"""The table of the dialogue: every cell is walked, and nothing leads where the table does not."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass, replace
from functools import cache
from random import Random

import pytest
from script import Script
from scripted_visits import VALUES
from simulated import language

from assistant.dialogue import table
from assistant.dialogue.events import Clock, Event, Opened, Quiet, Said, Voiced
from assistant.dialogue.machine import Dialogue
from assistant.dialogue.state import Phase, State
from assistant.dialogue.table import EVERYWHERE, FREE, HELD, STEP, TABLE, NotInTableError, cell
from assistant.files import library, read_job, top_folder
from assistant.language.heard import Heard
from assistant.language.meaning import word_of

SAID = [
    *("yes", "no", "done", "say again", "go back", "hold", "go on", "skip", "correction", "limit", "how far"),
    *("understood", "note", "note the flame is yellow", "mark", "mark flame", "helper reading", "area clear", "stop"),
    *("gas leak", "banana", "", "no access", "shut down", "repair", "repair igniter replaced", "igniter replaced"),
    *("work out the rise", "clock the meter", "symptom no glow", "probable cause", "what to measure", "flame"),
    *(
        "all good",
        "talk less",
        "talk more",
        "timer one minute",
        "how long",
        "timer off",
        "mark one",
        "louder",
        "quieter",
        "faster",
        "slower",
    ),
    *("all good", "talk less", "talk more"),
    *("what is the limits", "carbon monoxide", "take a not", "repair maid", "go bak now", "work out the raise"),
    *("one twenty", "open", "point five", "three five", "twelve amps", "seventy parts", "six point eight inches"),
    *("two seconds", "one twenty degrees", "fifty four", "hot to neutral one twenty one", "rising"),
    *("what was the last reading", "what is next", "help", "now", "okay", "no bubbles", "all dead"),
    *("reversed", "closed", "bouncing around two", "one twenty no one thirty"),
]
"""A word for each cell: each command with its argument, readings of many kinds, names, what is not understood."""

EVENTS: tuple[Event, ...] = (Opened(resumed=True), Voiced(True), Voiced(False, "the loudspeaker is gone"), Quiet(30.0))
KEPT = 6  # states of each phase, of each visit, that everything is said in
VISITS: tuple[tuple[str, dict[str, list[str]], dict[str, str]], ...] = (
    (
        "hot-surface",
        {
            "line": ["helper reading", "hot to neutral one twenty one neutral to ground point four"],
            "igniter-cold": ["skip this steps", "yes", "no", "repair maid", "yes", "banana", *["no"] * 40],
            "sequence": [
                *("mark gas", "mark flame", "done", "no", "mark", "done", "no", "mark", "mark fan"),
                *("inducer", "air", "glow", "flame"),
            ],
        },
        {},
    ),
    ("hot-surface", {}, {"rollout-switch-resistance": "open", "flue-co": "four hundred"}),
    (
        "hot-surface",
        {
            "line": ["take a not", "yes", "it is yellow", "hold", "note", "it is warm", "go on"],
            "flame": ["clock the meter", "yes", "now", "now"],
            "sequence": [*["now"] * 6, "no", "now", "fan", "no"],
        },
        {},
    ),
    ("standing-pilot", {"sequence": ["mark"] * 8}, {}),
)


@dataclass(frozen=True)
class Walked:
    """What one word did."""

    phase: Phase
    word: str
    to: Phase


def _job(name: str) -> Dialogue:
    job = read_job(top_folder("audio_fixtures") / "visits" / f"{name}.job.yaml")
    return Dialogue(language(), library().rules_for(job))


def _every_event(dialogue: Dialogue, state: State, at_s: float) -> Iterator[tuple[str, Event]]:
    for event in (*EVENTS, Clock(at_s)):
        name = {Opened: "opened", Quiet: "quiet", Clock: "clock"}.get(type(event), "")
        yield name or ("voiced" if event == Voiced(True) else "not-voiced"), event
    for text in SAID:
        event = Said(Heard(text), at_s, "0001.flac")
        yield word_of(dialogue.meaning(state, event)), event


def _along(
    dialogue: Dialogue, says: dict[str, list[str]], readings: dict[str, str], done: Counter[Walked]
) -> Iterator[State]:
    """The states of a visit that a technician leads on, with some things found wrong on the way. says: at a step,
    whatever is waited for there."""
    script, at_s = Script({**VALUES, **readings}, {key: list(said) for key, said in says.items()}), 0.0
    state, _ = dialogue.step(dialogue.start(), Opened())
    for _ in range(400):
        yield state
        if state.phase is Phase.CLOSED:
            return
        at_s += 5.0
        aside = state.phase is not Phase.WARNING and script.says.get(state.step)
        said = aside.pop(0) if aside else script.answer(dialogue, state)
        said = "done" if said == "mark" and state.step not in says else said
        event, before = Said(Heard(said), at_s, "0001.flac"), state
        state, _ = dialogue.step(state, event)
        done[Walked(before.phase, word_of(dialogue.meaning(before, event)), state.phase)] += 1
        if state.phase is Phase.WARNING:
            yield state
            state, _ = dialogue.step(state, Voiced(True))


@cache
def walked() -> Counter[Walked]:
    """What everything that can be said or can happen does: along visits, and in what comes of it, rare phases first."""
    done: Counter[Walked] = Counter()
    draw = Random(11)
    for name, says, readings in VISITS:
        dialogue = _job(name)
        along: dict[Phase, list[State]] = {phase: [] for phase in Phase}
        for state in _along(dialogue, says, readings, done):
            along[state.phase].append(state)
        for states in along.values():
            draw.shuffle(states)
        aside: dict[Phase, list[State]] = {phase: [] for phase in Phase}
        tried: Counter[Phase] = Counter()
        kept = {phase: max(KEPT, 0 if phase is Phase.ASKING else len(states)) for phase, states in along.items()}
        while open_to := [each for each in Phase if (along[each] or aside[each]) and tried[each] < kept[each]]:
            phase = min(open_to, key=lambda each: tried[each])
            tried[phase] += 1
            if along[phase] and (tried[phase] > KEPT // 2 or not aside[phase] or tried[phase] == 1):
                state = along[phase].pop()
            else:
                state = aside[phase].pop(draw.randrange(len(aside[phase])))
            for word, event in _every_event(dialogue, state, state.now_s + 5.0):
                after, _ = dialogue.step(state, event)
                done[Walked(phase, word, after.phase)] += 1
                aside[after.phase].append(after)
    return done


def test_every_phase_has_a_row_and_every_command_a_cell_somewhere():
    assert set(TABLE) == set(Phase)
    commands = {rule.replace("_", "-") for rule in language().grammar.public["commands"]}
    assert commands <= set(EVERYWHERE) | {word for row in TABLE.values() for word in row}


def ways() -> dict[tuple[Phase, str], set[Phase]]:
    """The phases that each cell of the table was seen to lead to."""
    seen: dict[tuple[Phase, str], set[Phase]] = {}
    for each in walked():
        row = TABLE[each.phase]
        word = each.word if each.word in row or cell(each.phase, each.word) is not row.get("anything") else "anything"
        seen.setdefault((each.phase, word), set()).add(each.to)
    return seen


@pytest.mark.visits
def test_every_cell_is_walked():
    assert [(phase.name, word) for phase, row in TABLE.items() for word in row if (phase, word) not in ways()] == []


@pytest.mark.visits
def test_every_way_of_the_table_is_gone():
    """A cell names no phase that it does not lead to, else the diagram would say more than is so. Of a group of phases
    (a step that is opened; where an aside came from) it is enough to come to one."""
    shared: dict[int, list[tuple[Phase, str]]] = {}
    for phase, row in TABLE.items():
        for word, of in row.items():
            shared.setdefault(id(of), []).append((phase, word))
    unused = []
    for cells in shared.values():
        (phase, word), seen = cells[0], set().union(*(ways().get(each, ()) for each in cells))
        to = TABLE[phase][word].to
        groups = [group for group in (STEP, FREE, HELD) if group <= to]
        alone = [{each} for each in to.difference(*groups)]
        unused += [(phase.name, word, group) for group in (*groups, *alone) if not group & seen]
    assert unused == [], unused


def test_a_way_that_is_not_in_the_table_is_an_error(monkeypatch):
    dialogue = _job("hot-surface")
    state, _ = dialogue.step(dialogue.start(), Opened())
    of = cell(state.phase, "hold")
    monkeypatch.setitem(table.EVERYWHERE, "hold", replace(of, to=frozenset()))
    with pytest.raises(NotInTableError, match=f"'hold' in {state.phase.name} leads to HOLDING"):
        dialogue.step(state, Said(Heard("hold"), 5.0))
