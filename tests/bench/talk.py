"""How much is said on a visit: seconds, words, turns, asks and acknowledgements of the brief and the full talk.

Walks every procedure. A simulated technician waits where a step asks for it and finds nothing wrong. Seconds are
counted at the rate of the bundled voice: 14 characters a second (measured, see session/loop.py). Printed, never
asserted.
"""

from __future__ import annotations

import sys
from collections import Counter
from decimal import Decimal
from pathlib import Path

TOP = Path(__file__).parents[2]
sys.path[:0] = [str(TOP / "audio_fixtures"), str(TOP / "tests")]

from script import Script  # noqa: E402
from scripted_visits import VALUES, demo_job  # noqa: E402
from simulated import language  # noqa: E402

from assistant.dialogue.effects import Note, Say  # noqa: E402
from assistant.dialogue.events import Clock, Event, Opened, Said, Voiced  # noqa: E402
from assistant.dialogue.machine import Dialogue  # noqa: E402
from assistant.dialogue.state import Phase  # noqa: E402
from assistant.files import library  # noqa: E402
from assistant.language.heard import Heard  # noqa: E402
from assistant.trade.job import Job, Pace, PlateValue  # noqa: E402
from assistant.trade.procedures import Procedure  # noqa: E402

CHARACTERS_A_SECOND = 14
SOUND = VALUES | {
    "combustible-gas": "zero percent",
    "thermocouple-millivolts": "twenty eight millivolts",
    "thermocouple-loaded-millivolts": "fourteen millivolts",
    "thermopile-millivolts": "five hundred millivolts",
    "magnet-release-millivolts": "two millivolts",
    "transformer-voltage": "twenty six volts",
    "pressure-switch-pressure": "minus point eight inches",
    "static-pressure": "point four inches",
    "flue-temperature": "three hundred twenty degrees",
    "igniter-current": "three point five amps",
}
"""What is read on a sound appliance (invented)."""
SOUND_LP = {
    "inlet-pressure": "twelve inches",
    "inlet-pressure-running": "eleven point five inches",
    "manifold-pressure": "ten inches",
}
PLATE = {
    "natural gas": {"manifold-pressure": PlateValue(unit="inH2O", value=Decimal("3.5"))},
    "LP": {"manifold-pressure": PlateValue(unit="inH2O", value=Decimal(10))},
}
ALL = {
    "thermopile-millivolts": PlateValue(unit="millivolt", low=Decimal(450)),
    "pressure-switch-pressure": PlateValue(unit="inH2O", low=Decimal("0.6")),
    "igniter-current": PlateValue(unit="ampere", low=Decimal(3), high=Decimal(4)),
    "static-pressure": PlateValue(unit="inH2O", high=Decimal("0.5")),
}
EVENTS_S = {
    "hot surface": [3.0, 16.5, 19.0, 2.5, 29.0, 2.5, 16.0, 19.5, 2.0, 30.0],
    "direct spark": [2.5, 17.0, 3.0, 31.0],
    "intermittent pilot": [2.0, 6.0, 2.5, 30.0],
    "standing pilot": [2.0, 32.0],
}
"""Seconds from each mark of the sequence to the next."""


def job_for(procedure: Procedure, pace: Pace) -> Job:
    """The demo's job with the procedure's appliance and kind of visit."""
    job = demo_job()
    kind = {"fuel": procedure.fuel, "ignition": procedure.ignition, "fitted": None}
    plate = job.plate | PLATE[procedure.fuel] | ALL
    appliance = job.appliance.model_copy(update=kind)
    return job.model_copy(update={"appliance": appliance, "plate": plate, "visit": procedure.visit, "pace": pace})


def talk(procedure: Procedure, pace: Pace) -> Counter[str]:
    """What is said on one visit."""
    job = job_for(procedure, pace)
    dialogue = Dialogue(language(), library().rules_for(job))
    state, at_s = dialogue.start(), 0.0
    counts: Counter[str] = Counter()
    failure = 25.0 if procedure.ignition == "standing pilot" else 0.4
    marks = {"sequence": [*EVENTS_S[procedure.ignition]], "flame-out": [failure], "post-purge": [15.0]}
    script = Script(SOUND | (SOUND_LP if procedure.fuel == "LP" else {}), marks=marks)
    event: Event = Opened()
    while state.phase is not Phase.CLOSED:
        state, effects = dialogue.step(state, event)
        says = [effect for effect in effects if isinstance(effect, Say)]
        notes = [effect.kind for effect in effects if isinstance(effect, Note)]
        counts["asks"] += state.phase is Phase.CONFIRMING and isinstance(event, Said)
        counts["understood"] += "understood" in notes
        for each in says:
            counts["words"] += len(each.text.split())
            counts["characters"] += len(each.text)
            counts[f"characters of {each.manner}"] += len(each.text)
        if says:
            event = Voiced(complete=True)
            continue
        due_s = dialogue.due_s(state)
        if state.waits and due_s is not None:
            at_s = max(at_s + 1.0, due_s)
            event = Clock(at_s)
            continue
        words = script.answer(dialogue, state)
        gaps = script.marks.get(state.step) if words == "mark" and state.hand.marks else None
        at_s += gaps.pop(0) if gaps else 5.0
        counts["turns"] += 1
        event = Said(Heard(words), at_s, "0001.flac")
    return counts


def main() -> None:
    """Prints a line for each procedure and pace."""
    print(f"{'procedure':45} pace   seconds words turns asks understood hazards %  of full: seconds, words %")
    for name, procedure in sorted(library().procedures.items()):
        full: Counter[str] = Counter()
        for pace in ("full", "brief"):
            of = talk(procedure, pace)
            full = full or of
            seconds, words = (100 * of[what] / full[what] for what in ("characters", "words"))
            hazards = 100 * of["characters of hazard"] / of["characters"]
            print(
                f"{name:45} {pace:6} {of['characters'] / CHARACTERS_A_SECOND:7.0f} {of['words']:5} {of['turns']:5} "
                f"{of['asks']:4} {of['understood']:10} {hazards:9.0f}  {seconds:16.0f} {words:7.0f}"
            )


if __name__ == "__main__":
    main()
