"""The visit that goes on, at a glance: for a screen that leans on the cabinet. It only reads."""

from __future__ import annotations

import threading
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

from assistant.dialogue.machine import Dialogue
from assistant.dialogue.state import IN_EMERGENCY, Phase, Rules, State
from assistant.errors import Problem
from assistant.language.meaning import value_text
from assistant.record.fold import event_of
from assistant.record.folder import find
from assistant.record.record import Record, seal_of
from assistant.record.setting import setting_of
from assistant.record.story import printed
from assistant.review.report import words
from assistant.session import now
from assistant.wording.english import sentences

Shape = Literal["circle", "triangle", "octagon", "diamond", "square"]
SHAPES: dict[str, Shape] = {
    "pass": "circle",
    "caution": "triangle",
    "conditional-pass": "triangle",
    "conditional-fail": "octagon",
    "fail": "octagon",
    "cannot-judge": "diamond",
    "noted": "square",
}
"""How a reading stands, by shape: it must be told without its colour."""


@dataclass(frozen=True)
class Last:
    """The last reading: its name, value with unit, verdict in words, and the shape that stands for it."""

    name: str
    value: str
    verdict: str
    shape: Shape


@dataclass(frozen=True)
class Glance:
    """What the screen shows.

    hears: "listening", "speaking" or "not listening"; why: of the last. says: the assistant's last words.
    step: its title, `number` of `steps` where nothing is wrong, 0 off that way; empty before there is one.
    hazards: those of the step, in a few words each. alarm: an emergency that is not over.
    """

    hears: Literal["listening", "speaking", "not listening"]
    why: str = ""
    says: str = ""
    site: str = ""
    invented: bool = False
    step: str = ""
    number: int = 0
    steps: int = 0
    hazards: tuple[str, ...] = ()
    last: Last | None = None
    alarm: bool = False


class Follower:
    """Follows the visit that goes on in a folder, reading only what was added to its record since the last look."""

    def __init__(self, folder: Path, look: Callable[[Path], now.Moment | None] = now.read) -> None:
        self._folder, self._look = folder, look
        self._lock = threading.Lock()
        self._path = ""
        self._seq = 0
        self._dialogue: Dialogue | None = None
        self._state: State | None = None

    def glance(self) -> Glance:
        """What goes on now. A record that cannot be read leaves what the visit says of itself."""
        moment = self._look(self._folder)
        if moment is None:
            return Glance("not listening", "No visit was begun here yet.")
        hears, why = _hears(moment)
        with self._lock:
            try:
                state = self._fold(moment)
            except Problem as problem:
                return Glance(hears, why or str(problem), moment.says)
            if state is None or self._dialogue is None:
                return Glance(hears, why, moment.says)
            rules = self._dialogue.rules
        closed = state.phase is Phase.CLOSED
        procedure = rules.procedure
        way = procedure.plain_way(rules.job)
        return Glance(
            hears,
            "The visit is closed." if closed and hears == "not listening" else why,
            moment.says,
            rules.job.site,
            rules.job.invented,
            "" if closed else words.sentence(printed(procedure.step(state.step).title)),
            way.index(state.step) + 1 if state.step in way else 0,
            len(way),
            () if closed else tuple(_few_words(rules, name) for name in procedure.step(state.step).hazards),
            _last(state, rules),
            state.phase in IN_EMERGENCY,
        )

    def _fold(self, moment: now.Moment) -> State | None:
        """The state of the visit, with what was added to its record; None before there is one.

        While a record is being sealed nobody else may have it open, so that it is left alone from the end of the run
        until its seal is there.
        """
        if not moment.record:
            return None
        path = find(Path(moment.record))
        if moment.record != self._path:
            self._path, self._seq = moment.record, 0
        if self._seq and moment.doing == "over" and not seal_of(path).exists():
            return self._state
        with Record.open(path, read_only=True) as record:
            if self._dialogue is None or self._state is None or not self._seq:
                self._dialogue = setting_of(record).dialogue()
                self._state = self._dialogue.start()
            for entry in record.entries(after=self._seq):
                self._seq = entry.seq
                if event := event_of(entry):
                    self._state, _ = self._dialogue.step(self._state, event)
        return self._state


def _few_words(rules: Rules, name: str) -> str:
    hazard = rules.hazards[name]
    return printed(hazard.short or sentences(hazard.say)[0])


def _last(state: State, rules: Rules) -> Last | None:
    if not state.standing:
        return None
    taken = state.standing[-1]
    value = words.amount(value_text(taken.value), taken.unit)
    outcome = taken.verdict.outcome
    name = printed(rules.quantities[taken.quantity].spoken)
    return Last(name, value, words.sentence(words.VERDICTS[outcome]), SHAPES[outcome])


def _hears(moment: now.Moment) -> tuple[Literal["listening", "speaking", "not listening"], str]:
    if moment.doing == "over":
        return "not listening", "The visit does not go on. To go on: assistant visit --resume"
    if not moment.fresh:
        return "not listening", f"No sign of it for {_ago(moment.age_s)}. To go on: assistant visit --resume"
    return moment.doing, ""


def _ago(seconds: float) -> str:
    if seconds < 120:
        return f"{seconds:.0f} seconds"
    return f"{seconds / 60:.0f} minutes" if seconds < 7200 else f"{seconds / 3600:.0f} hours"
