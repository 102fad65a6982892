"""How much is said on a visit: seconds, words, turns, asks and acknowledgements of the brief and the full talk.

A simulated technician finds nothing wrong, as in the recorded visits' words. Seconds are counted at the rate of the
bundled voice: 14 characters a second (measured, see session/loop.py). Printed, never asserted.
"""

from __future__ import annotations

import sys
from collections import Counter
from pathlib import Path

TOP = Path(__file__).parents[2]
sys.path[:0] = [str(TOP / "audio_fixtures"), str(TOP / "tests")]

from script import Script  # noqa: E402
from scripted_visits import VALUES  # noqa: E402
from simulated import language  # noqa: E402

from assistant.dialogue.effects import Note, Say  # noqa: E402
from assistant.dialogue.events import Clock, Event, Opened, Said, Voiced  # noqa: E402
from assistant.dialogue.machine import Dialogue  # noqa: E402
from assistant.dialogue.state import Phase  # noqa: E402
from assistant.files import library, read_job, read_yaml, top_folder  # noqa: E402
from assistant.language.heard import Heard  # noqa: E402

CHARACTERS_A_SECOND = 14
VISITS = ("hot-surface", "direct-spark", "intermittent-pilot", "standing-pilot")


def talk(name: str, pace: str) -> Counter[str]:
    """What is said on one visit in which nothing is found wrong."""
    job = read_job(top_folder("audio_fixtures") / "visits" / f"{name}.job.yaml").model_copy(
        update={"pace": pace, "visit": "yearly check"}
    )
    dialogue = Dialogue(language(), library().rules_for(job))
    state, at_s = dialogue.start(), 0.0
    counts: Counter[str] = Counter()
    said = read_yaml(top_folder("audio_fixtures") / "visits" / f"{name}.say.yaml")
    script = Script(VALUES, marks={key: [float(s) for s in apart] for key, apart in said["marks"].items()})
    event: Event = Opened()
    while state.phase is not Phase.CLOSED:
        state, effects = dialogue.step(state, event)
        says = [effect for effect in effects if isinstance(effect, Say)]
        counts["asks"] += state.phase is Phase.CONFIRMING and isinstance(event, Said)
        counts["understood"] += any(isinstance(e, Note) and e.kind == "understood" for e in effects)
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
    """Prints a line for each visit and pace."""
    print("visit               pace   seconds  words  turns  asks  understood  hazards %  of full: seconds, words %")
    for name in VISITS:
        full: Counter[str] = Counter()
        for pace in ("full", "brief"):
            of = talk(name, pace)
            full = full or of
            share = [100 * of[what] / full[what] for what in ("characters", "words")]
            hazards = 100 * of["characters of hazard"] / of["characters"]
            print(
                f"{name:19} {pace:6} {of['characters'] / CHARACTERS_A_SECOND:7.0f} {of['words']:6} {of['turns']:6} "
                f"{of['asks']:5} {of['understood']:11} {hazards:10.0f}  {share[0]:22.0f} {share[1]:6.0f}"
            )


if __name__ == "__main__":
    main()
