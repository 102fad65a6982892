"""What comes before a visit, as one dialogue: waiting for the spoken start, then setting the visit up by voice. Pure.

While it waits nothing counts but the start words and an emergency; after some silences in a row it waits again, and
then asks on. What the job file leaves out is asked, and becomes what a job file would say.

People, sites and units go by numbers: a name cannot be heard with a small vocabulary, letters sound alike, and digits
are what the model hears best and what is read back one by one. What judges a reading later (the fuel, the plate's
values) needs a spoken yes, since nothing shows afterwards that it was misheard.

The state holds the one that it came from (`back`), so that "go back" and "correction" put the last question again as
it was. An emergency is answered as in a visit; the visit that follows begins with its arrival checks anyway.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from decimal import Decimal
from typing import Any, cast

from assistant.dialogue.context import alarm, say
from assistant.dialogue.effects import Effect, Note, Say, says_of
from assistant.dialogue.events import Event, Opened, Quiet, Said
from assistant.dialogue.state import IN_EMERGENCY, Phase
from assistant.language.meaning import Command, Named, Question, Reading, Unclear, Value, value_text
from assistant.language.spoken import spoken_number, spoken_value
from assistant.language.utterance import Language
from assistant.trade.limits import EmergencyKind, GenericLimit
from assistant.trade.procedures import Procedure
from assistant.trade.quantities import Quantity
from assistant.trade.set_up import Asked
from assistant.wording import english as wording

Job = Mapping[str, Any]
"""A job file as plain values, as far as it is known."""
Worked = tuple[Procedure, Mapping[str, GenericLimit]]
"""What a visit is worked by."""


SET_UP = "set up"
"""Where something happened that happened before the visit's first step."""
START = Question("start")
CALLS = 3  # silences in a row after which it waits for the start words instead of asking on


@dataclass(frozen=True)
class SettingUp:
    """What comes before the visit, at one moment.

    waits: for the start words. asks: for what is not known; where not, all is. job: what is known, as a job file says
    it. left: names of what was left out. low: the lowest figure of a span whose highest is asked. candidate: what is
    asked for a yes, in the job file's form, and `heard`: as it is read back.
    """

    job: Job
    left: frozenset[str] = frozenset()
    phase: Phase = Phase.ASKING
    low: Reading | None = None
    candidate: Any = None
    heard: str = ""
    refused: tuple[Value, ...] = ()
    failures: int = 0
    back: SettingUp | None = None
    waits: bool = False
    asks: bool = True
    silences: int = 0  # in a row
    said: tuple[Say, ...] = ()  # what is waited for, to be said again
    volume: int = 0  # this and the next two are as the loop wants them, and stay so
    speed: int = 0
    counts_marks: bool = False


Turn = tuple[SettingUp, list[Effect]]


@dataclass(frozen=True)
class SetUp:
    """The dialogue that sets a visit up.

    worked: the procedure and the generic limits for an ignition system, a fuel and a kind of visit; None where there
    is no such procedure.
    """

    language: Language
    quantities: Mapping[str, Quantity]
    questions: Sequence[Asked]
    worked: Callable[[str, str, str], Worked | None]

    def asked(self, state: SettingUp) -> Asked | None:
        """What is asked; None when all is known or left out."""
        return next(
            (i for i in self._items(state) if i.name not in state.left and _of(state.job, i.path) is None), None
        )

    def question(self, state: SettingUp) -> Question:
        """Decides which words are heard."""
        if state.waits or not state.asks:
            return START
        if state.phase is not Phase.ASKING:
            return Question(state.phase.value)
        item = self.asked(state)
        if item and item.quantity:
            return Question(item.name, item.quantity)
        return Question("setup") if item else START

    def grown(self, state: SettingUp, text: str) -> bool | None:
        """Whether a text is an answer that can grow (True), that cannot (False), or none yet (None)."""
        question = self.question(state)
        item = self.asked(state) if state.phase is Phase.ASKING and question != START else None
        complete = self.language.can_grow(text, question)
        if item is None or not item.words:
            return complete
        if complete is not False and not isinstance(self.language.understand(text, question), Named):
            return complete
        return self.language.goes_on(item.words, text)  # "no", and "no heat"

    def due_s(self, state: SettingUp) -> None:
        """Nothing is told by itself."""

    def over(self, state: SettingUp) -> bool:
        """Whether the visit begins."""
        return not state.waits and (not state.asks or state.phase is Phase.CLOSED)

    def step(self, state: SettingUp, event: Event) -> Turn:
        """What an event makes of the state. A Note says what was decided; without one it was no answer."""
        new, effects = self._step(state, event)
        return replace(new, said=tuple(says_of(self.present(new)))), effects

    def _step(self, state: SettingUp, event: Event) -> Turn:
        match event:
            case Opened():
                return state, self._opening(state)
            case Said() if state.waits:
                return self._waited(state, event)
            case Said() if state.asks:
                return self._heard(replace(state, silences=0), event)
            case Quiet() if state.asks and not state.waits:
                silences = state.silences + 1
                waits = silences == CALLS and state.phase is not Phase.EMERGENCY
                new = replace(state, silences=silences, waits=waits)
                return new, self.present(new)
        return state, []

    def _opening(self, state: SettingUp) -> list[Effect]:
        """The first words."""
        first = say(wording.ASKS_WHAT_IS_MISSING) if state.asks and not state.waits else []
        return [*first, *self.present(state)]

    def _waited(self, state: SettingUp, event: Said) -> Turn:
        if isinstance(self.language.understand(event.heard.text, START), Named):
            new = replace(state, waits=False, silences=0)
            return new, self.present(new) if state.silences else self._opening(new)
        if kind := self.language.emergency(event.heard.text):
            note = Note("set-up", {"asked": START.name, "decided": "emergency"})
            return state, [note, *alarm(event.heard.text, SET_UP, kind), *self.present(state)]
        return state, []

    def _heard(self, state: SettingUp, event: Said) -> Turn:
        question = self.question(state)
        meaning = self.language.understand(event.heard.text, question, state.refused)
        command = meaning.name if isinstance(meaning, Command) else ""
        if command == "emergency":
            state = replace(state, phase=Phase.EMERGENCY, candidate=None, low=None)
            kind = cast("EmergencyKind", meaning.of)  # type: ignore[union-attr]
            return state, [self._note(state, "emergency"), *alarm(event.heard.text, SET_UP, kind)]
        if state.phase in IN_EMERGENCY:
            return self._emergency(state, event, command)
        if command in ("stop", "hold"):
            told = say(wording.STOPPED_NOW) if command == "stop" else []
            state = replace(state, phase=Phase.HOLDING, candidate=None, low=None)
            return state, [self._note(state, command), *told, *self.present(state)]
        if state.phase is Phase.HOLDING:
            if command != "go-on":
                return state, say(wording.SAY_GO_ON)
            state = replace(state, phase=Phase.ASKING)
            return state, [self._note(state, command), *self.present(state)]
        if command == "say-again":
            return state, [self._note(state, command), *self.present(state)]
        if command in ("go-back", "correction"):
            return self._back(state, command)
        if state.phase is Phase.CONFIRMING:
            return self._confirmed(state, command)
        item = self.asked(state)
        if item is None:
            return self._begin(state, "yes" if isinstance(meaning, Named) else command)
        if isinstance(meaning, Named) and meaning.rule == item.words:
            return self._weigh(state, item, meaning.of, wording.spoken_fuel(meaning.of), doubt=False)
        if command == "skip" or (command == "no" and state.low):
            return self._without(state, item, command)
        if isinstance(meaning, Reading) and item.quantity:
            doubt = bool(
                event.in_noise
                or self.language.confirm(event.heard, meaning, question)
                or self.language.rivals(event.heard, meaning, question, state.refused)
            )
            return self._figure(state, item, meaning, doubt)
        return self._unclear(state, item, meaning if isinstance(meaning, Unclear) else Unclear("not-understood"))

    def present(self, state: SettingUp) -> list[Effect]:
        """Says what is waited for."""
        if state.waits:
            return [Say(wording.WAITS)]
        if not state.asks:
            return []
        match state.phase:
            case Phase.CONFIRMING:
                return say(wording.HEARD.format(what=state.heard))
            case Phase.HOLDING:
                return say(wording.SAY_GO_ON)
            case Phase.EMERGENCY:
                return say(wording.STAY_OUT, "alarm")
            case Phase.CLEARING:
                return say(wording.WHO_CLEARS)
            case Phase.CLEARED:
                return say(wording.IS_IT_CLEAR)
        item = self.asked(state)
        if item is None:
            what = [_of(state.job, each.path) for each in self.questions if each.words and each.ignition is None]
            told = ", ".join(wording.spoken_fuel(each) for each in what if each)
            return say(wording.BEGIN.format(what=wording.capital(told), values=len(state.job.get("plate", {}))))
        if state.low and isinstance(state.low.value, Decimal):
            return say(wording.AND_THE_HIGHEST.format(lowest=spoken_number(state.low.value, ", ")))
        return say(item.ask)

    # --- what is asked

    def _items(self, state: SettingUp) -> Iterator[Asked]:
        """All that is asked of this job, in order: then what is known or left out is passed over."""
        job = state.job
        ignition, fuel = _of(job, ("appliance", "ignition")), _of(job, ("appliance", "fuel"))
        for item in self.questions:
            plain = item.path[0] not in ("plate", "gas") and item.ignition in (None, ignition)
            if plain and (not item.unless or _of(job, item.unless) is None):
                yield item
        worked = self.worked(str(ignition), str(fuel), job.get("visit", "yearly check"))
        if worked is None:
            return
        procedure, limits = worked
        measured = [name for step in procedure.steps for name in (*step.quantities, *step.works_out)]
        on_plate = [name for name, limit in limits.items() if limit.on_plate]
        for name in dict.fromkeys((*on_plate, *measured)):
            limit = limits.get(name)
            if limit and name in measured and (limit.plate_only or limit.plate_tolerance is not None):
                yield self._plate(name, limit)
        for item in self.questions:  # of no use unless all of it is known
            if item.path[0] == "gas" and item.needed_for in measured:
                yield item
                if item.name in state.left:
                    return

    def _plate(self, name: str, limit: GenericLimit) -> Asked:
        """The question for a value of the plate, or of a part's sheet."""
        for item in self.questions:
            if item.path == ("plate", name):
                return item
        quantity = self.quantities[name]
        span = not limit.plate_is_highest and limit.plate_tolerance is None
        # "Forty to seventy" is heard as "forty two seventy": the two ends are asked one by one.
        asks = wording.ON_THE_PLATE if limit.on_plate else wording.ON_ITS_SHEET
        end = "lowest " if span else "highest " if limit.plate_is_highest else ""
        return Asked(
            name=name,
            path=("plate", name),
            ask=asks.format(what=wording.capital(f"{end}{quantity.spoken}")),
            without=wording.LEFT_OUT_UNJUDGED if limit.plate_only else wording.LEFT_OUT_GENERIC,
            of=quantity,
            span=span,
            confirm=True,
            help=wording.SAY_A_SPAN if span else "",
        )

    def job(self, state: SettingUp, when: str) -> dict[str, Any]:
        """What a job file would say. when: the moment, which tells a site or unit without a number from every other."""
        job = {key: dict(value) if isinstance(value, Mapping) else value for key, value in state.job.items()}
        job.setdefault("site", wording.SITE_WITHOUT_NUMBER.format(when=when))
        job.setdefault("technician", {"name": wording.NOT_NAMED})
        appliance = job["appliance"]
        if "description" not in appliance:
            told = wording.SET_UP_BY_VOICE.format(ignition=appliance["ignition"], fuel=appliance["fuel"])
            appliance["description"] = told if "tag" in appliance else f"{told} {when}"
        if "gas" in job and len(job["gas"]) < sum(item.path[0] == "gas" for item in self.questions):
            del job["gas"]
        return job

    # --- what is answered

    def _figure(self, state: SettingUp, item: Asked, reading: Reading, doubt: bool) -> Turn:
        """A figure, or both ends of a span."""
        assert item.quantity
        if (
            not isinstance(reading.value, Decimal)
            or reading.approximate
            or reading.below
            or (reading.upper is not None and not item.span)
        ):
            return self._unclear(state, item, Unclear("no-number"))
        if item.path[0] != "plate":
            told = item.as_said.format(spoken_number(reading.value, ", "))
            return self._weigh(state, item, item.as_said.format(value_text(reading.value)), told, doubt, reading.value)
        if not item.span:
            body = {"value": value_text(reading.value), "unit": reading.unit}
            return self._weigh(state, item, body, spoken_value(reading.value, reading.unit), doubt, reading.value)
        if reading.upper is None and state.low is None:
            state = replace(state, low=reading, failures=0)
            return state, [self._note(state, f"lowest {value_text(reading.value)}"), *self.present(state)]
        low, high = (state.low, reading.value) if state.low else (reading, reading.upper)
        assert isinstance(low.value, Decimal)
        assert high is not None
        if low.unit != reading.unit or low.value > high:
            state = replace(state, low=None)
            note = self._note(state, "refused: the lowest is above the highest, or in another unit")
            return state, [note, *say(wording.LOWEST_FIRST), *self.present(state)]
        body = {"low": value_text(low.value), "high": value_text(high), "unit": reading.unit}
        told = wording.LOWEST_AND_HIGHEST.format(
            lowest=spoken_number(low.value, ", "), highest=spoken_value(high, reading.unit)
        )
        return self._weigh(replace(state, low=None), item, body, told, doubt)

    def _weigh(
        self, state: SettingUp, item: Asked, value: Any, told: str, doubt: bool, figure: Value | None = None
    ) -> Turn:
        """Takes an answer at its read-back, or asks for a yes."""
        if item.confirm or doubt:
            refused = state.refused if figure is None else (*state.refused, figure)
            state = replace(state, phase=Phase.CONFIRMING, candidate=value, heard=told, refused=refused)
            return state, [self._note(state, f"asked: {told}", item), *self.present(state)]
        return self._take(state, item, value, wording.I_HAVE.format(what=told))

    def _take(self, state: SettingUp, item: Asked, value: Any, told: str) -> Turn:
        taken = SettingUp(_with(state.job, item.path, value), state.left, back=_clean(state))
        note = Note("set-up", {"asked": item.name, "decided": f"taken: {_plain(value)}"})
        return taken, [note, *say(told, "answer"), *self.present(taken)]

    def _confirmed(self, state: SettingUp, command: str) -> Turn:
        item = self.asked(_clean(state))
        assert item
        if command == "yes":
            return self._take(state, item, state.candidate, wording.TAKEN)
        if command != "no":
            return replace(state, failures=state.failures + 1), say(wording.YES_OR_NO)
        again = replace(_clean(state), refused=state.refused)
        note = self._note(state, f"refused: {state.heard}", item)
        return again, [note, *say(wording.NOT_TAKEN), *self.present(again)]

    def _without(self, state: SettingUp, item: Asked, command: str) -> Turn:
        """Leaves it out, or with "no" only the highest of a span."""
        if state.low:
            assert isinstance(state.low.value, Decimal)
            body = {"low": value_text(state.low.value), "unit": state.low.unit}
            told = wording.LOWEST_ALONE.format(lowest=spoken_value(state.low.value, state.low.unit))
            return self._weigh(replace(state, low=None), item, body, told, doubt=True)
        if not item.without:
            return state, [self._note(state, command), *say(wording.CANNOT_BE_LEFT_OUT), *self.present(state)]
        left = SettingUp(state.job, state.left | {item.name}, back=_clean(state))
        return left, [self._note(state, "left out"), *say(item.without, "answer"), *self.present(left)]

    def _back(self, state: SettingUp, command: str) -> Turn:
        """To the question as it was put, or to the one before it."""
        waits = state.phase is Phase.CONFIRMING or state.low is not None
        before = _clean(state) if waits else state.back
        if before is None:
            return state, [self._note(state, command), *say(wording.FIRST_QUESTION), *self.present(state)]
        return before, [self._note(state, command), *self.present(before)]

    def _begin(self, state: SettingUp, command: str) -> Turn:
        if command == "yes":
            return replace(state, phase=Phase.CLOSED), [self._note(state, "begin")]
        if command == "no":
            return state, [self._note(state, command), *say(wording.WHAT_IS_TO_CHANGE)]
        return state, say(wording.YES_OR_NO)

    def _emergency(self, state: SettingUp, event: Said, command: str) -> Turn:
        """Nothing but "area clear" helps, then a name and a yes."""
        if state.phase is Phase.EMERGENCY and command == "area-clear":
            state = replace(state, phase=Phase.CLEARING)
        elif state.phase is Phase.CLEARING and event.heard.text:
            state = replace(state, phase=Phase.CLEARED)
        elif state.phase is Phase.CLEARED and command == "yes":
            state = replace(state, phase=Phase.ASKING)
            told = say(wording.SET_UP_GOES_ON)
            return state, [self._note(state, "area clear"), *told, *self.present(state)]
        else:
            return replace(state, phase=Phase.EMERGENCY), say(wording.STAY_OUT, "alarm")
        return state, [self._note(state, state.phase.value), *self.present(state)]

    def _unclear(self, state: SettingUp, item: Asked, meaning: Unclear) -> Turn:
        failures = state.failures + 1
        state = replace(state, failures=failures)
        told = wording.unclear(meaning)
        if meaning.reason == "out-of-span":
            told = wording.NO_FIGURE_FOR_THIS
        elif meaning.reason == "no-number":
            told = wording.THE_FIGURE_ITSELF
        more = item.help or (wording.HELP_AFTER_TWO if failures > 1 else "")
        kept = meaning.reason not in ("silence", "not-understood")
        notes = [self._note(state, f"unclear: {meaning.reason}")] if kept else []
        asks = [] if meaning.reason == "ambiguous" or item.words else self.present(state)
        return state, [*notes, *say(f"{told} {more}"), *asks]

    def _note(self, state: SettingUp, decided: str, item: Asked | None = None) -> Note:
        item = item or self.asked(state)
        return Note("set-up", {"asked": item.name if item else "begin", "decided": decided})


def _clean(state: SettingUp) -> SettingUp:
    """The state as its question was put."""
    return SettingUp(state.job, state.left, back=state.back)


def _of(job: Job, path: tuple[str, ...]) -> Any:
    found: Any = job
    for key in path:
        found = found.get(key) if isinstance(found, Mapping) else None
    return found


def _with(job: Job, path: tuple[str, ...], value: Any) -> Job:
    key, *rest = path
    return {**job, key: _with(job.get(key) or {}, tuple(rest), value) if rest else value}


def _plain(value: Any) -> str:
    if not isinstance(value, Mapping):
        return str(value)
    figures = " to ".join(str(value[key]) for key in ("value", "low", "high") if key in value)
    return f"{figures} {value['unit']}"
