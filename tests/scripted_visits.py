"""Records of visits that people in a script say, without audio hardware or recognition: real dialogue, real record."""

from __future__ import annotations

import hashlib
import sys
from collections.abc import Mapping, Sequence
from pathlib import Path

import msgspec
import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1] / "audio_fixtures"))  # pytest knows it, the benches do not

from doubles import TestClock
from script import Script, patience

from assistant.dialogue.effects import Note, Say
from assistant.dialogue.events import Event, Opened, Said, Voiced
from assistant.dialogue.machine import Dialogue
from assistant.dialogue.state import Phase, State
from assistant.files import library, read_job, top_folder
from assistant.language.heard import Heard
from assistant.record.fold import EVENTS
from assistant.record.record import Record
from assistant.record.setting import Setting
from assistant.speech.audio import Audio, write_flac
from assistant.trade.history import History
from assistant.trade.job import Job

VALUES = {
    "ambient-co": "three parts per million",
    "igniter-resistance": "sixty two ohms",
    "igniter-to-ground": "open",
    "rod-to-ground": "open",
    "ground-resistance": "point eight",
    "burner-ground-resistance": "point six",
    "limit-switch-resistance": "point four",
    "rollout-switch-resistance": "point three",
    "pressure-switch-resistance": "open",
    "line-voltage": "one twenty two point four",
    "neutral-to-ground": "point six",
    "inlet-pressure": "seven point two inches",
    "inlet-pressure-running": "seven inches",
    "igniter-voltage": "one twenty one volts",
    "pre-purge-time": "sixteen seconds",
    "warm-up-time": "twenty one seconds",
    "trial-for-ignition": "three seconds",
    "blower-on-time": "three three seconds",
    "flame-failure-response": "point seven seconds",
    "ignition-trials": "three",
    "inter-purge-time": "two zero seconds",
    "post-purge-time": "one five seconds",
    "flame-signal": "two point one microamps",
    "manifold-pressure": "three point five inches",
    "meter-dial-seconds": "twenty four seconds",
    "draft": "minus point oh three inches",
    "return-temperature": "sixty eight degrees",
    "supply-temperature": "one twenty degrees",
    "flue-oxygen": "seven point five percent",
    "flue-co": "twenty eight parts",
}
"""What is read where the script says nothing else: a sound appliance (invented)."""

EVENTFUL = {
    "igniter-cold": ["open"],
    "line": ["helper reading"],
    "igniter-supply": ["one sixty volts"],
    "switch-opens": ["correction", "one twenty one volts"],
    "flame": ["one point three microamps", "one point four microamps"],
    "flame confirming": ["no"],
    "inlet-running": ["skip"],
}
"""A visit of the demo's job in which an igniter is replaced, a voltage corrected and a flame signal refused once."""


def demo_job() -> Job:
    return read_job(top_folder("audio_fixtures") / "visits" / "hot-surface.job.yaml")


def answer(dialogue: Dialogue, state: State, script: dict[str, list[str]]) -> str:
    """What is said now: the script's next saying for the step (or "step phase"), else what leads plainly on.

    A timed step is told in seconds: people in a script have no clock.
    """
    said = Script(VALUES, script).answer(dialogue, state)
    return "done" if said == "mark" else said


def visit(
    folder: Path,
    script: Mapping[str, Sequence[str]] | None = None,
    job: Job | None = None,
    utc: str = "2026-01-05T09:00:00.000Z",
    most: int = 300,
    history: History | None = None,
) -> Path:
    """Works a visit by a script until it is closed, or `most` things were said; the path of its record.

    Each saying has a recording of a tone, a quarter of a second long.
    """
    folder.mkdir(parents=True, exist_ok=True)
    path = folder / "visit.sqlite"
    audio = path.with_suffix(".audio")
    audio.mkdir()
    clock = TestClock(utc)
    setting = Setting(library().rules_for(job or demo_job(), history), library().grammar_texts, "scripted", "scripted")
    dialogue = setting.dialogue()
    state = dialogue.start()
    waiting = {key: list(said) for key, said in (script or {}).items()}
    with Record.create(path, clock=clock) as record:
        record.append([("visit", setting.to_body())])
        event: Event = Opened()
        at_s = 0.0
        more: dict = {}
        for number in range(1, most + 2):
            while True:
                clock.advance(2)
                state, effects = dialogue.step(state, event)
                kind = next(kind for kind, of in EVENTS.items() if isinstance(event, of))
                notes = [(effect.kind, effect.body) for effect in effects if isinstance(effect, Note)]
                record.append([(kind, {**msgspec.to_builtins(event), **more}), *notes])
                texts = [effect.text for effect in effects if isinstance(effect, Say)]
                if not texts:
                    break
                event, more = Voiced(True), {"played": [{"text": text, "seconds": 1.0} for text in texts]}
            if state.phase is Phase.CLOSED or number > most:
                break
            name = f"{number:04d}.flac"
            tone = (3000 * np.sin(np.arange(4000) * (0.1 + number / 500))).astype(np.int16)
            write_flac(audio / name, Audio(tone, 16000))
            digest = hashlib.sha256((audio / name).read_bytes()).hexdigest()
            at_s = patience(state, at_s + 5.0)
            event = Said(Heard(answer(dialogue, state, waiting)), at_s, name)
            more = {"sha256": digest, "question": dialogue.question(state).name}
    return path
