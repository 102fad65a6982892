"""Writes what people say on a visit: walks the visit in words, and makes the table that `make.py` speaks.

    .venv/bin/python audio_fixtures/script.py audio_fixtures/visits/NAME.say.yaml ...     -> NAME.tsv

So a recording always fits its procedure, and only what is special to the visit is written by hand. NAME.say.yaml,
beside NAME.job.yaml, holds

    head:      the head of the table, as make.py takes it
    readings:  quantity -> the words of its reading, wherever nothing else is said; one that is not here is skipped
    says:      step, or "step phase" -> what is said there in turn, before what leads plainly on
    marks:     step -> the seconds from each of its marks to the next

The helper says what follows "helper reading". The value that follows a "correction" is the step's next saying.
"""

from __future__ import annotations

import sys
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path

from assistant.dialogue.effects import Say
from assistant.dialogue.events import Event, Opened, Said, Voiced
from assistant.dialogue.machine import Dialogue
from assistant.dialogue.state import Phase, State
from assistant.files import library, read_job, read_yaml
from assistant.language.heard import Heard

WAIT_MARGIN_S = 2.0  # more than a wait, which in the sound may have begun at any earlier moment
MARK_S = 0.5  # how long the word is, about: what is left of the time to the next mark is the pause before that
LONGEST = 400  # utterances: a visit that takes more goes round in circles

PLAIN = {
    Phase.WARNING: "understood",
    Phase.CONFIRMING: "yes",
    Phase.TIMED: "yes",
    Phase.MISSED: "no",
    Phase.REASON: "no access",
    Phase.HOLDING: "go on",
    Phase.EMERGENCY: "area clear",
    Phase.CLEARING: "robin roe",
    Phase.BARRED: "shut down",
    Phase.SHUTTING: "understood",
    Phase.SHUT: "done",
    Phase.TELLING: "pat moe",
    Phase.FOLLOW_UP: "no",
}
"""What leads on where no step's question stands."""


@dataclass
class Script:
    """What is said on one visit; `says` and `marks` are used up as they are said."""

    readings: Mapping[str, str]
    says: dict[str, list[str]] = field(default_factory=dict)
    marks: dict[str, list[float]] = field(default_factory=dict)

    def answer(self, dialogue: Dialogue, state: State) -> str:
        """What is said now: the script's next saying for the step (or "step phase"), else what leads plainly on."""
        key = state.step if state.phase is Phase.ASKING else f"{state.step} {state.phase.value}"
        if self.says.get(key):
            return self.says[key].pop(0)
        if state.phase is not Phase.ASKING:
            return PLAIN.get(state.phase, "yes")
        step = dialogue.rules.procedure.step(state.hand.correcting.step if state.hand.correcting else state.step)
        asked = dialogue.asked(state)
        if asked:
            return self.readings.get(asked, "skip")
        return "mark" if step.kind == "time" else step.good


def patience(state: State, at_s: float) -> float:
    """The moment at which a patient person speaks: `at_s`, or the end of the wait that the step asks for."""
    ends = (t.from_s + t.seconds for t in state.timers if t.step == state.step and t.from_s is not None)
    return max([at_s, *ends])


def step_in_words(dialogue: Dialogue, state: State, event: Event) -> State:
    """One event, and what follows from the assistant's words being played."""
    while True:
        state, effects = dialogue.step(state, event)
        if not any(isinstance(effect, Say) for effect in effects):
            return state
        event = Voiced(complete=True)


def walk(dialogue: Dialogue, script: Script) -> Iterator[tuple[str, str, float | None]]:
    """The visit from its first word to its last: who speaks, what, and the pause before it if it is not the usual."""
    state = step_in_words(dialogue, dialogue.start(), Opened())
    at_s = 0.0
    for number in range(LONGEST):
        if state.phase is Phase.CLOSED:
            return
        marked = len(state.hand.marks)
        step, speaker = state.step, state.speaker
        text = script.answer(dialogue, state)
        pause_s = None
        at_s += 5.0
        if text == "mark" and marked:
            apart_s = script.marks[step].pop(0)
            pause_s = round(apart_s - MARK_S, 2)
            at_s += apart_s - 5.0
        if (waited_s := patience(state, at_s)) > at_s:
            at_s = waited_s
            pause_s = max(timer.seconds for timer in state.timers if timer.step == step) + WAIT_MARGIN_S
        yield speaker, text, pause_s
        state = step_in_words(dialogue, state, Said(Heard(text), round(at_s, 3), f"{number:04d}.flac"))
    raise SystemExit(f"The visit does not end: after {LONGEST} utterances it is at {state.step} ({state.phase.value}).")


def table_of(path: Path) -> str:
    """The table of the visit that a NAME.say.yaml describes."""
    data = read_yaml(path)
    name = path.name.removesuffix(".say.yaml")
    rules = library().rules_for(read_job(path.with_name(f"{name}.job.yaml")))
    script = Script(
        readings=dict(data["readings"]),
        says={key: [str(s) for s in said] for key, said in data.get("says", {}).items()},
        marks={key: [float(s) for s in apart] for key, apart in data.get("marks", {}).items()},
    )
    rows = [
        f"{speaker}\t{text}\t{'' if pause_s is None else pause_s}"
        for speaker, text, pause_s in walk(Dialogue(library().language, rules), script)
    ]
    left = {key: said for key, said in (*script.says.items(), *script.marks.items()) if said}
    if left:
        raise SystemExit(f"{path}: never said: {left}")
    head = [f"# {key}: {value}" for key, value in data["head"].items()]
    return "\n".join([*head, "speaker\ttext\tpause_s", *rows]) + "\n"


def main(paths: Sequence[str]) -> None:
    """Writes the table of each NAME.say.yaml beside it."""
    for path in map(Path, paths):
        table = path.with_name(path.name.replace(".say.yaml", ".tsv"))
        table.write_text(table_of(path), encoding="utf-8")
        print(
            f"{table}: {table.read_text(encoding='utf-8').count(chr(10)) - len(read_yaml(path)['head']) - 1} utterances"
        )


if __name__ == "__main__":
    main(sys.argv[1:])
