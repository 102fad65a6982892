"""Setting a visit up by voice: what the job file leaves out is asked, and becomes what a job file would say. Pure.

People, sites and units go by numbers: a name cannot be heard with a small vocabulary, letters sound alike, and digits
are what the model hears best and what is read back one by one. What judges a reading later (the fuel, the plate's
values) needs a spoken yes, since nothing shows afterwards that it was misheard.

The state holds the one that it came from (`back`), so that "go back" and "correction" put the last question again as
it was. An emergency is answered as in a visit; the visit that follows begins with its arrival checks anyway.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field, replace
from decimal import Decimal
from enum import Enum
from typing import Any, cast

from assistant.dialogue.context import alarm, say
from assistant.dialogue.effects import Effect, Note
from assistant.dialogue.events import Said
from assistant.language.meaning import Command, Named, Question, Reading, Unclear, Value, value_text
from assistant.language.spoken import spoken_number, spoken_value
from assistant.language.utterance import Language
from assistant.trade.computations import CLOCKED
from assistant.trade.limits import EmergencyKind, GenericLimit
from assistant.trade.procedures import Procedure
from assistant.trade.quantities import Quantity
from assistant.wording import english as wording

Job = Mapping[str, Any]
"""A job file as plain values, as far as it is known."""
Worked = tuple[Procedure, Mapping[str, GenericLimit]]
"""What a visit is worked by."""


SET_UP = "set up"
"""Where something happened that happened before the visit's first step."""


class Stage(Enum):
    """What is waited for."""

    ASKING = "asking"  # for the answer, or for the yes that begins the visit
    CONFIRMING = "confirming"  # for a yes or no to what was heard
    HOLDING = "holding"  # for "go on"
    EMERGENCY = "emergency"  # for "area clear"
    CLEARING = "clearing"  # for the name of whoever says so
    CLEARED = "cleared"  # for the yes after it
    DONE = "done"


@dataclass(frozen=True)
class Item:
    """One thing that is asked.

    path: where a job file has it. rule: of setup.jsgf, where the answer is words; quantity: where it is a figure;
    span: where it is a lowest and a highest one. as_said: what the job file says for the answer. confirm: it needs a
    spoken yes. without: what is said when it is left out; empty where it cannot be.
    """

    name: str
    path: tuple[str, ...]
    ask: str
    without: str = ""
    rule: str = ""
    quantity: Quantity | None = None
    span: bool = False
    as_said: str = "{}"
    confirm: bool = False
    help: str = ""


def _number(name: str, high: int, spoken: str = "") -> Quantity:
    return Quantity(name=name, spoken=spoken or name, unit="dimensionless", low=1, high=high, resolution=1)


_FIRST = (
    Item(
        "technician",
        ("technician", "name"),
        "Who works? Say your technician number.",
        "Not named.",
        quantity=_number("technician", 9999),
        as_said="technician {}",
    ),
    Item(
        "site", ("site",), "Say the site's number.", "No number.", quantity=_number("site", 999_999), as_said="site {}"
    ),
)
_UNIT = Item(
    "unit",
    ("appliance", "tag"),
    "Say the number of the unit at this site.",
    "Then it is compared with no earlier visit.",
    quantity=_number("unit", 999),
    as_said="unit {}",
)
_WHAT = (
    Item("ignition system", ("appliance", "ignition"), "Which ignition system?", rule="ignition"),
    Item("fuel", ("appliance", "fuel"), "Natural gas, or L P?", rule="fuel", confirm=True),
    Item("kind of visit", ("visit",), "Which kind of visit?", "Then it is a yearly check.", rule="kind"),
)
_CHOICES = {
    "ignition": "Say hot surface, direct spark, intermittent pilot, or standing pilot.",
    "fuel": "Say natural gas, or L P.",
    "kind": "Say yearly check, no heat, commissioning, or safety test.",
    "material": "Say carbide, or nitride.",
}
_SPAN_HELP = "Say the lowest alone, or between this and that."
_MATERIAL = Item(
    "igniter",
    ("appliance", "igniter_material"),
    "Is the igniter silicon carbide, or silicon nitride?",
    "Left out.",
    rule="material",
)
# The spans keep a misheard figure out, and limit nothing: a residential furnace's input (common practice), and the
# heating values of fuel gases by volume (common practice: natural gas about 1000, LP about 2500), and test dials of
# residential meters (common practice: one half to two cubic feet).
_INPUT = Quantity(name="input-rate", spoken="input rate", unit="Btu_per_hour", low=10_000, high=400_000, resolution=1)
_GAS = (
    Item(
        "heating value",
        ("gas", "heating_value_btu_ft3"),
        "Heating value of the gas, from the supplier.",
        "Left out. Without it I cannot work out the input.",
        quantity=Quantity(
            name="heating value", spoken="heating value", unit="dimensionless", low=500, high=3500, resolution=1
        ),
        confirm=True,
        help="In B T U for a cubic foot, as one thousand thirty.",
    ),
    Item(
        "meter dial",
        ("gas", "dial_ft3"),
        "Size of the meter's test dial, in cubic feet.",
        "Left out. Without it I cannot work out the input.",
        quantity=Quantity(
            name="meter dial", spoken="meter dial", unit="dimensionless", low="0.1", high=10, resolution="0.01"
        ),
        confirm=True,
        help="Say it as one half, one, or two.",
    ),
)


@dataclass(frozen=True)
class SettingUp:
    """The set-up at one moment.

    job: what is known, as a job file says it. left: names of what was left out. low: the lowest figure of a span whose
    highest is asked. candidate: what is asked for a yes, in the job file's form, and `heard`: as it is read back.
    """

    job: Job
    left: frozenset[str] = frozenset()
    stage: Stage = Stage.ASKING
    low: Reading | None = None
    candidate: Any = None
    heard: str = ""
    refused: tuple[Value, ...] = ()
    failures: int = 0
    back: SettingUp | None = None


Turn = tuple[SettingUp, list[Effect]]


@dataclass(frozen=True)
class SetUp:
    """The dialogue that sets a visit up.

    worked: the procedure and the generic limits for an ignition system, a fuel and a kind of visit; None where there
    is no such procedure.
    """

    language: Language
    quantities: Mapping[str, Quantity]
    worked: Callable[[str, str, str], Worked | None]
    start: SettingUp = field(default_factory=lambda: SettingUp({}))

    def opening(self, state: SettingUp) -> list[Effect]:
        """The first words."""
        return [*say(wording.ASKS_WHAT_IS_MISSING), *self.present(state)]

    def asked(self, state: SettingUp) -> Item | None:
        """What is asked; None when all is known or left out."""
        return next(
            (i for i in self._items(state) if i.name not in state.left and _of(state.job, i.path) is None), None
        )

    def question(self, state: SettingUp) -> Question:
        """Decides which words are heard."""
        item = self.asked(state)
        if state.stage is not Stage.ASKING:
            return Question(state.stage.value)
        if item and item.quantity:
            return Question(item.name, item.quantity)
        return Question("setup" if item else "start")

    def grown(self, state: SettingUp, text: str) -> bool | None:
        """Whether a text is an answer that can grow (True), that cannot (False), or none yet (None)."""
        item = self.asked(state) if state.stage is Stage.ASKING else None
        question = self.question(state)
        complete = self.language.can_grow(text, question)
        if item is None or not item.rule:
            return complete
        if complete is not False and not isinstance(self.language.understand(text, question), Named):
            return complete
        return self.language.goes_on(item.rule, text)  # "no", and "no heat"

    def step(self, state: SettingUp, event: Said) -> Turn:
        """What something said makes of the state. A Note says what was decided; without one it was no answer."""
        question = self.question(state)
        meaning = self.language.understand(event.heard.text, question, state.refused)
        command = meaning.name if isinstance(meaning, Command) else ""
        if command == "emergency":
            state = replace(state, stage=Stage.EMERGENCY, candidate=None, low=None)
            kind = cast("EmergencyKind", meaning.of)  # type: ignore[union-attr]
            return state, [self._note(state, "emergency"), *alarm(event.heard.text, SET_UP, kind)]
        if state.stage in (Stage.EMERGENCY, Stage.CLEARING, Stage.CLEARED):
            return self._emergency(state, event, command)
        if command in ("stop", "hold"):
            told = "Stopped. Hands out." if command == "stop" else ""
            state = replace(state, stage=Stage.HOLDING, candidate=None, low=None)
            return state, [self._note(state, command), *say(f"{told} Say go on.")]
        if state.stage is Stage.HOLDING:
            if command != "go-on":
                return state, say(wording.SAY_GO_ON)
            state = replace(state, stage=Stage.ASKING)
            return state, [self._note(state, command), *self.present(state)]
        if command == "say-again":
            return state, [self._note(state, command), *self.present(state)]
        if command in ("go-back", "correction"):
            return self._back(state, command)
        if state.stage is Stage.CONFIRMING:
            return self._confirmed(state, command)
        item = self.asked(state)
        if item is None:
            return self._begin(state, "yes" if isinstance(meaning, Named) else command)
        if isinstance(meaning, Named) and meaning.rule == item.rule:
            return self._weigh(state, item, meaning.of, wording.spoken_fuel(meaning.of), doubt=False)
        if command == "skip" or (command == "no" and state.low):
            return self._without(state, item, command)
        if isinstance(meaning, Reading) and item.quantity:
            doubt = bool(
                self.language.confirm(event.heard.text, meaning, question)
                or self.language.rivals(event.heard, meaning, question, state.refused)
            )
            return self._figure(state, item, meaning, doubt)
        return self._unclear(state, item, meaning if isinstance(meaning, Unclear) else Unclear("not-understood"))

    def present(self, state: SettingUp) -> list[Effect]:
        """Says what is waited for."""
        match state.stage:
            case Stage.CONFIRMING:
                return say(wording.HEARD.format(what=state.heard))
            case Stage.HOLDING:
                return say(wording.SAY_GO_ON)
            case Stage.EMERGENCY:
                return say(wording.STAY_OUT, "alarm")
            case Stage.CLEARING:
                return say(wording.WHO_CLEARS)
            case Stage.CLEARED:
                return say(wording.IS_IT_CLEAR)
        item = self.asked(state)
        if item is None:
            what = [_of(state.job, each.path) for each in _WHAT]
            told = ", ".join(wording.spoken_fuel(each) for each in what if each)
            return say(f"{wording.capital(told)}. {len(state.job.get('plate', {}))} plate values. Begin the visit?")
        if state.low and isinstance(state.low.value, Decimal):
            return say(f"Lowest {spoken_number(state.low.value, ', ')}. And the highest? Say no if there is none.")
        return say(item.ask)

    # --- what is asked

    def _items(self, state: SettingUp) -> Iterator[Item]:
        job = state.job
        yield from _FIRST
        if _of(job, ("appliance", "description")) is None:
            yield _UNIT
        yield from _WHAT
        if _of(job, ("appliance", "ignition")) == "hot surface":
            yield _MATERIAL
        kind = job.get("visit", "yearly check")
        worked = self.worked(str(_of(job, ("appliance", "ignition"))), str(_of(job, ("appliance", "fuel"))), kind)
        if worked:
            yield from self._figures(*worked)
            yield from self._gas(state, worked[0])

    def _figures(self, procedure: Procedure, limits: Mapping[str, GenericLimit]) -> Iterator[Item]:
        """The plate's and sheets' values by which this procedure judges."""
        measured = _measured(procedure)
        on_plate = [name for name, limit in limits.items() if limit.on_plate]
        wanted = [n for n in dict.fromkeys((*on_plate, *measured)) if n in measured and n in limits]
        for name in wanted:
            limit = limits[name]
            if limit.plate_only or limit.plate_tolerance is not None:
                yield self._plate(name, limit)

    def _gas(self, state: SettingUp, procedure: Procedure) -> Iterator[Item]:
        """What works out the input: of no use unless all of it is known."""
        for item in _GAS if CLOCKED in _measured(procedure) else ():
            yield item
            if item.name in state.left:
                return

    def _plate(self, name: str, limit: GenericLimit) -> Item:
        quantity = self.quantities.get(name, _INPUT)
        span = not limit.plate_is_highest and limit.plate_tolerance is None
        where = "on the plate" if limit.on_plate else "on its sheet"
        # "Forty to seventy" is heard as "forty two seventy": the two ends are asked one by one.
        end = "lowest " if span else "highest " if limit.plate_is_highest and name in self.quantities else ""
        return Item(
            name,
            ("plate", name),
            f"{wording.capital(f'{end}{quantity.spoken}')} {where}.",
            "Left out. Without it I cannot judge." if limit.plate_only else "Left out. The generic limit counts.",
            quantity=quantity,
            span=span,
            confirm=True,
            help="In full, as eighty thousand." if quantity is _INPUT else _SPAN_HELP if span else "",
        )

    # --- what is answered

    def _figure(self, state: SettingUp, item: Item, reading: Reading, doubt: bool) -> Turn:
        """A figure, or both ends of a span."""
        assert item.quantity
        if (
            not isinstance(reading.value, Decimal)
            or reading.approximate
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
        told = f"lowest {spoken_number(low.value, ', ')}, highest {spoken_value(high, reading.unit)}"
        return self._weigh(replace(state, low=None), item, body, told, doubt)

    def _weigh(
        self, state: SettingUp, item: Item, value: Any, told: str, doubt: bool, figure: Value | None = None
    ) -> Turn:
        """Takes an answer at its read-back, or asks for a yes."""
        if item.confirm or doubt:
            refused = state.refused if figure is None else (*state.refused, figure)
            state = replace(state, stage=Stage.CONFIRMING, candidate=value, heard=told, refused=refused)
            return state, [self._note(state, f"asked: {told}", item), *self.present(state)]
        return self._take(state, item, value, f"I have {told}.")

    def _take(self, state: SettingUp, item: Item, value: Any, told: str) -> Turn:
        taken = SettingUp(_with(state.job, item.path, value), state.left, back=_clean(state))
        note = Note("set-up", {"asked": item.name, "decided": f"taken: {_plain(value)}"})
        return taken, [note, *say(told, "answer"), *self.present(taken)]

    def _confirmed(self, state: SettingUp, command: str) -> Turn:
        item = self.asked(_clean(state))
        assert item
        if command == "yes":
            return self._take(state, item, state.candidate, "Taken.")
        if command != "no":
            return replace(state, failures=state.failures + 1), say(wording.YES_OR_NO)
        again = replace(_clean(state), refused=state.refused)
        return again, [
            self._note(state, f"refused: {state.heard}", item),
            *say(wording.NOT_TAKEN),
            *self.present(again),
        ]

    def _without(self, state: SettingUp, item: Item, command: str) -> Turn:
        """Leaves it out, or with "no" only the highest of a span."""
        if state.low:
            assert isinstance(state.low.value, Decimal)
            body = {"low": value_text(state.low.value), "unit": state.low.unit}
            told = f"lowest {spoken_value(state.low.value, state.low.unit)}, no highest"
            return self._weigh(replace(state, low=None), item, body, told, doubt=True)
        if not item.without:
            return state, [
                self._note(state, command),
                *say(wording.CANNOT_BE_LEFT_OUT),
                *self.present(state),
            ]
        left = SettingUp(state.job, state.left | {item.name}, back=_clean(state))
        return left, [self._note(state, "left out"), *say(item.without, "answer"), *self.present(left)]

    def _back(self, state: SettingUp, command: str) -> Turn:
        """To the question as it was put, or to the one before it."""
        waits = state.stage is Stage.CONFIRMING or state.low is not None
        before = _clean(state) if waits else state.back
        if before is None:
            return state, [self._note(state, command), *say(wording.FIRST_QUESTION), *self.present(state)]
        return before, [self._note(state, command), *self.present(before)]

    def _begin(self, state: SettingUp, command: str) -> Turn:
        if command == "yes":
            return replace(state, stage=Stage.DONE), [self._note(state, "begin")]
        if command == "no":
            return state, [self._note(state, command), *say(wording.WHAT_IS_TO_CHANGE)]
        return state, say(wording.YES_OR_NO)

    def _emergency(self, state: SettingUp, event: Said, command: str) -> Turn:
        """Nothing but "area clear" helps, then a name and a yes."""
        if state.stage is Stage.EMERGENCY and command == "area-clear":
            state = replace(state, stage=Stage.CLEARING)
        elif state.stage is Stage.CLEARING and event.heard.text:
            state = replace(state, stage=Stage.CLEARED)
        elif state.stage is Stage.CLEARED and command == "yes":
            state = replace(state, stage=Stage.ASKING)
            told = say(wording.SET_UP_GOES_ON)
            return state, [self._note(state, "area clear"), *told, *self.present(state)]
        else:
            return replace(state, stage=Stage.EMERGENCY), say(wording.STAY_OUT, "alarm")
        return state, [self._note(state, state.stage.value), *self.present(state)]

    def _unclear(self, state: SettingUp, item: Item, meaning: Unclear) -> Turn:
        failures = state.failures + 1
        state = replace(state, failures=failures)
        told = wording.unclear(meaning)
        if meaning.reason == "out-of-span":
            told = wording.NO_FIGURE_FOR_THIS
        elif meaning.reason == "no-number":
            told = wording.THE_FIGURE_ITSELF
        more = item.help or (_CHOICES[item.rule] if item.rule else wording.HELP_AFTER_TWO if failures > 1 else "")
        kept = meaning.reason not in ("silence", "not-understood")
        notes = [self._note(state, f"unclear: {meaning.reason}")] if kept else []
        asks = [] if meaning.reason == "ambiguous" or item.rule else self.present(state)
        return state, [*notes, *say(f"{told} {more}"), *asks]

    def _note(self, state: SettingUp, decided: str, item: Item | None = None) -> Note:
        item = item or self.asked(state)
        return Note("set-up", {"asked": item.name if item else "begin", "decided": decided})


def job_of(state: SettingUp, when: str) -> dict[str, Any]:
    """What a job file would say. when: the moment, which tells a site or unit without a number from every other."""
    job = {key: dict(value) if isinstance(value, Mapping) else value for key, value in state.job.items()}
    job.setdefault("site", f"site without a number, {when}")
    job.setdefault("technician", {"name": "technician not named"})
    appliance = job["appliance"]
    if "description" not in appliance:
        told = f"{appliance['ignition']}, {appliance['fuel']}, set up by voice"
        appliance["description"] = told if "tag" in appliance else f"{told} {when}"
    if "gas" in job and len(job["gas"]) < len(_GAS):
        del job["gas"]
    return job


def _measured(procedure: Procedure) -> list[str]:
    return [name for step in procedure.steps for name in (*step.quantities, *step.works_out)]


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
