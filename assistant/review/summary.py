"""What a visit's record says, gathered for people: a pure fold over its entries.

Nothing is judged anew here. Every verdict, limit and reason is the one that was recorded, so that the report of
a record is the same whatever the rules of today are.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from decimal import Decimal, InvalidOperation
from typing import Any, TypeVar

from pydantic import BaseModel

from assistant.errors import Problem
from assistant.record.chain import Entry
from assistant.session.privacy import NOT_WORDS
from assistant.trade.job import Job
from assistant.trade.judging import Limit, Outcome
from assistant.trade.limits import GenericLimit
from assistant.trade.procedures import Hazard, Procedure
from assistant.trade.quantities import Quantity
from assistant.trade.units import UNIT_SYMBOL

M = TypeVar("M", bound=BaseModel)
T = TypeVar("T")


@dataclass(frozen=True)
class Recording:
    """An utterance that was kept. name: of its file in the visit's folder of recordings; sha256: of that file."""

    name: str
    sha256: str
    words: str
    utc: str

    @property
    def understood(self) -> str:
        """Its words; empty where some were no words of the grammar, as of a name: then only the recording says it."""
        return "" if NOT_WORDS in self.words.split() else self.words


@dataclass(frozen=True)
class Judged:
    """How a value stood when it was judged. uncertainty: U (k = 2) in the limit's unit, empty where not known.

    guarded: a safety limit, which does not accept a conditional pass.
    """

    outcome: Outcome
    reason: str
    rule: str
    uncertainty: str
    limit: Limit | None

    @property
    def accepted(self) -> bool | None:
        """Whether it met its limit; None where there was nothing to decide. As `Verdict.accepted` has it."""
        if self.outcome in ("cannot-judge", "noted"):
            return None
        if self.outcome == "conditional-pass":
            return self.limit is not None and not self.limit.guarded
        return self.outcome in ("pass", "caution")


@dataclass(frozen=True)
class Reading:
    """One reading that was taken.

    value, unit: as said, `upper` the other end where it was not steady. judged_value: in the unit of the
    quantity, lead resistance taken off. recording: the words it was taken from. withdrawn: taken back later.
    """

    seq: int
    utc: str
    step: str
    title: str
    quantity: str
    value: str
    upper: str
    unit: str
    approximate: bool
    judged_value: str
    judged_unit: str
    judged: Judged
    stage: str
    speaker: str
    words: str
    recording: Recording | None
    withdrawn: bool = False

    @property
    def number(self) -> Decimal | None:
        """The value that was judged; None where the meter showed no figure."""
        try:
            return Decimal(self.judged_value)
        except InvalidOperation:
            return None


@dataclass(frozen=True)
class Finding:
    """What was worked out from readings. value: empty where it could not be; `problem` says why."""

    seq: int
    name: str
    step: str
    value: str
    unit: str
    problem: str
    assumption: str
    judged: Judged | None


@dataclass(frozen=True)
class Answer:
    """The answer to a step without a reading: "yes", "no" or "done". remark: what a check found, or was seen beside a
    reading (then without an answer). withdrawn: taken back later."""

    utc: str
    step: str
    title: str
    answer: str
    remark: str = ""
    withdrawn: bool = False


@dataclass(frozen=True)
class NotChecked:
    """A step that was not worked, and why. recording: of the reason, where one was given."""

    step: str
    title: str
    reason: str
    recording: Recording | None = None


@dataclass(frozen=True)
class Correction:
    """A reading or an answer that was taken back, or one that was heard and refused. then: what was taken instead."""

    utc: str
    title: str
    before: str
    refused: bool
    recording: Recording | None
    then: str = ""


@dataclass(frozen=True)
class Warned:
    """The hazards of one step, voiced to the end. understood: whether somebody said so; a danger asks for it."""

    utc: str
    step: str
    title: str
    hazards: tuple[str, ...]
    danger: bool
    understood: bool = False


@dataclass(frozen=True)
class Happening:
    """Anything else worth a line: an emergency and its end, a hold, a voice that failed, a note."""

    utc: str
    kind: str
    text: str
    recording: Recording | None = None


@dataclass(frozen=True)
class Repair:
    """Something that was repaired on the way, as it is said. recording: the words that named it; None where the repair
    was a step of the procedure."""

    utc: str
    step: str
    name: str
    say: str
    recording: Recording | None


@dataclass(frozen=True)
class Ending:
    """How the visit ended. stays_on: the technician's decision; None where the visit did not come to it. against: what
    was found, or not checked, that spoke against leaving it on.

    told: who was told, as a recording of the name; empty words where nobody was. follow_up: what is to be done.
    notice: the lines of the notice of an unsafe appliance, or one that is shut off; none where there is none.
    """

    stays_on: bool | None = None
    against: tuple[str, ...] = ()
    told: Recording | None = None
    nobody_told: bool = False
    follow_up: Recording | None = None
    because: tuple[str, ...] = ()
    notice: Mapping[str, tuple[str, ...]] = field(default_factory=dict)


@dataclass(frozen=True)
class Summary:
    """A visit as its record has it."""

    job: Job
    procedure: Procedure
    quantities: Mapping[str, Quantity]
    limits: Mapping[str, GenericLimit]
    hazards: Mapping[str, Hazard]
    engine: str
    voice: str
    grammar_sha256: str
    began: str
    ended: str
    entries: int
    head: str
    closed: bool
    power: str
    gas: str
    readings: tuple[Reading, ...]
    findings: tuple[Finding, ...]
    answers: tuple[Answer, ...]
    not_checked: tuple[NotChecked, ...]
    corrections: tuple[Correction, ...]
    warned: tuple[Warned, ...]
    happenings: tuple[Happening, ...]
    repairs: tuple[Repair, ...] = ()
    ending: Ending = Ending()
    complaint: str = ""
    """What the appliance did or did not do, as it was told."""
    cause: str | None = None
    """The probable cause of a no heat visit that came to its end; empty where none was found."""
    set_up: Mapping[str, str] = field(default_factory=dict)
    """What was asked in the set-up by voice -> how it was left; empty where a job file said it all."""

    @property
    def standing(self) -> tuple[Reading, ...]:
        """The readings that were not taken back."""
        return tuple(reading for reading in self.readings if not reading.withdrawn)

    @property
    def remarks(self) -> tuple[Answer, ...]:
        """The checks that found something, and were not taken back."""
        return tuple(answer for answer in self.answers if answer.remark and not answer.withdrawn)

    @property
    def emergencies(self) -> tuple[Happening, ...]:
        """Each time the visit was stopped for an emergency."""
        return tuple(h for h in self.happenings if h.kind == "emergency")

    @property
    def barred(self) -> tuple[str, ...]:
        """What was not opened, lit or run because of what was found, each once."""
        return tuple(dict.fromkeys(h.text for h in self.happenings if h.kind == "barred"))

    def latest(self, quantity: str) -> Reading | None:
        """The last standing reading of a quantity."""
        return next((r for r in reversed(self.standing) if r.quantity == quantity), None)

    def first(self, quantity: str) -> Reading | None:
        """The first standing reading of a quantity: as found."""
        return next((r for r in self.standing if r.quantity == quantity), None)

    @property
    def last_of_each(self) -> tuple[Reading, ...]:
        """The last standing reading of each quantity, in the order in which they were first read."""
        seen = dict.fromkeys(r.quantity for r in self.standing)
        return tuple(reading for name in seen if (reading := self.latest(name)))


def summarize(entries: Iterable[Entry]) -> Summary:
    """Folds a record's entries.

    Raises:
        Problem: if they do not begin with the setting of a visit.
    """
    fold: _Fold | None = None
    for entry in entries:
        if fold is None:
            if entry.kind != "visit":
                raise Problem("This record holds no visit; it was stopped before it began, so start a new one.")
            fold = _Fold(entry)
        fold.add(entry)
    if fold is None:
        raise Problem("This record is empty; it was stopped before it began, so start a new one.")
    return fold.summary()


@dataclass
class _Fold:
    """What is known after some entries; entries of unknown kinds change nothing."""

    first: Entry
    last: Entry = field(init=False)
    said: dict[str, Recording] = field(default_factory=dict)  # the last utterance of these words
    now: Recording | None = None
    kept: dict[str, Recording] = field(default_factory=dict)  # readings said ahead, by quantity
    readings: list[Reading] = field(default_factory=list)
    findings: list[Finding] = field(default_factory=list)  # all that were not taken back; the last of a name counts
    answers: list[Answer] = field(default_factory=list)
    skipped: dict[str, NotChecked] = field(default_factory=dict)
    corrections: list[Correction] = field(default_factory=list)
    warned: list[Warned] = field(default_factory=list)
    happenings: list[Happening] = field(default_factory=list)
    repairs: list[Repair] = field(default_factory=list)
    ending: Ending = field(default_factory=Ending)
    set_up: dict[str, str] = field(default_factory=dict)  # what was asked -> how it was left, the last time
    power: str = "unknown"
    gas: str = "unknown"
    complaint: str = ""
    cause: str | None = None
    closed: bool = False

    def __post_init__(self) -> None:
        body = self.first.body
        self.job = _read(Job, body["job"])
        self.procedure = _read(Procedure, body["procedure"])
        self.quantities = {name: _read(Quantity, value) for name, value in body["quantities"].items()}
        self.limits = {name: _read(GenericLimit, value) for name, value in body["limits"].items()}
        self.hazards = {name: _read(Hazard, value) for name, value in body["hazards"].items()}
        self.last = self.first

    def add(self, entry: Entry) -> None:
        """One entry more."""
        self.last = entry
        handler = _HANDLERS.get(entry.kind)
        if handler:
            handler(self, entry, entry.body)

    def summary(self) -> Summary:
        """All that was gathered."""
        body = self.first.body
        return Summary(
            job=self.job,
            procedure=self.procedure,
            quantities=self.quantities,
            limits=self.limits,
            hazards=self.hazards,
            engine=body["engine"],
            voice=body["voice"],
            grammar_sha256=body["grammar_sha256"],
            began=self.first.utc,
            ended=self.last.utc,
            entries=self.last.seq,
            head=self.last.hash,
            closed=self.closed,
            power=self.power,
            gas=self.gas,
            readings=tuple(self.readings),
            findings=tuple({finding.name: finding for finding in self.findings}.values()),
            answers=tuple(self.answers),
            not_checked=(*self.skipped.values(), *self._not_reached()),
            corrections=tuple(self.corrections),
            warned=tuple(self.warned),
            happenings=tuple(self.happenings),
            repairs=tuple(self.repairs),
            ending=self.ending,
            complaint=self.complaint,
            cause=self.cause,
            set_up=self.set_up,
        )

    def _not_reached(self) -> Iterable[NotChecked]:
        """Readings of the procedure that the visit never came to: as found, and of a quantity not read at all."""
        known = {r.quantity for r in self.readings if not r.withdrawn}
        for step in self.procedure.steps:
            if step.quantity and step.stage == "found" and step.quantity not in known and step.id not in self.skipped:
                yield NotChecked(step.id, self.title(step.id), "the visit did not come to it")

    def title(self, step: str) -> str:
        """The title of a step, as it prints."""
        return printed(self.procedure.step(step).title) if self.procedure.has(step) else step

    # --- one kind of entry each

    def _summed_up(self, entry: Entry, body: dict[str, Any]) -> None:
        self.complaint, self.cause = body.get("complaint", ""), body.get("cause")

    def _set_up(self, entry: Entry, body: dict[str, Any]) -> None:
        self.set_up[body["asked"]] = body["decided"]
        self.now = _recording(entry, body)

    def _said(self, entry: Entry, body: dict[str, Any]) -> None:
        self.now = _recording(entry, body)
        self.said[self.now.words] = self.now

    def _kept(self, entry: Entry, body: dict[str, Any]) -> None:
        if self.now:
            self.kept[body["quantity"]] = self.now

    def _reading(self, entry: Entry, body: dict[str, Any]) -> None:
        quantity, words = body["quantity"], body["words"]
        kept = self.kept.pop(quantity, None)
        recording = kept if kept and kept.words == words else self.said.get(words)
        reading = Reading(
            seq=entry.seq,
            utc=entry.utc,
            step=body["step"],
            title=self.title(body["step"]),
            quantity=quantity,
            value=body["value"],
            upper=body.get("upper", ""),
            unit=body["unit"],
            approximate=body["approximate"],
            judged_value=body["judged"],
            judged_unit=self.quantities[quantity].unit if quantity in self.quantities else body["unit"],
            judged=_judged(body),
            stage=body["stage"],
            speaker=body["speaker"],
            words=words,
            recording=recording,
        )
        self.readings.append(reading)
        self._taken(reading.step, _value(reading.value, reading.upper))

    def _taken(self, step: str, value: str) -> None:
        """A reading or an answer was taken at a step: it is checked, and what was corrected has what it was put to."""
        self.skipped.pop(step, None)
        for place, correction in enumerate(self.corrections):
            if correction.title == self.title(step) and not correction.then:
                self.corrections[place] = replace(correction, then=value)

    def _correction(self, entry: Entry, body: dict[str, Any]) -> None:
        step = body["step"]
        if "quantity" in body:
            place = _last(self.readings, lambda r: r.quantity == body["quantity"] and not r.withdrawn)
            if place is not None:
                taken = self.readings[place] = replace(self.readings[place], withdrawn=True)
                # What was worked out before it did not rest on it, and stands again.
                gone = body.get("findings", ())
                self.findings = [f for f in self.findings if f.name not in gone or f.seq < taken.seq]
            before = body["withdrawn"]
        else:
            before = body["answer"]
            place = _last(
                self.answers, lambda a: a.step == step and not a.withdrawn and (a.answer or a.remark) == before
            )
            if place is not None:
                self.answers[place] = replace(self.answers[place], withdrawn=True)
            if self.repairs and self.repairs[-1].name == body.get("repair"):
                self.repairs.pop()
        self.corrections.append(Correction(entry.utc, self.title(step), before, False, self.now))

    def _refused(self, entry: Entry, body: dict[str, Any]) -> None:
        self.corrections.append(Correction(entry.utc, self.title(body["step"]), body["value"], True, self.now))

    def _finding(self, entry: Entry, body: dict[str, Any]) -> None:
        judged = _judged(body) if "verdict" in body else None
        name, value, assumption = body["finding"], body.get("value", ""), body.get("assumption", "")
        self.findings.append(
            Finding(entry.seq, name, body["step"], value, body["unit"], body["problem"], assumption, judged)
        )

    def _worked_out(self, entry: Entry, body: dict[str, Any]) -> None:
        judged = _judged(body) if "verdict" in body else None
        doubt = body["worked_uncertainty"]
        rests = [
            *([f"± {doubt} (k = 2){'' if body['whole'] else ' or more'}"] if doubt else []),
            *(f"{key} {known['value']} ({known['from']})" for key, known in body["inputs"].items()),
            *(f"generic {name}" for name in body["generic"]),
            *body["assumptions"],
        ]
        name = body["working"]
        self.findings.append(
            Finding(entry.seq, name, body["step"], body["value"], body["unit"], "", "; ".join(rests), judged)
        )

    def _symptom(self, entry: Entry, body: dict[str, Any]) -> None:
        self._happened(entry, "symptom", f"Symptom told: {body['symptom']}.")

    def _causes(self, entry: Entry, body: dict[str, Any]) -> None:
        ranked = ", ".join(f"{cause} {share:.0%}" for cause, share in body["causes"][:3]) or "none fits"
        self._happened(entry, "probable-cause", f"Probable causes, among those of the table: {ranked}.")

    def _answer(self, entry: Entry, body: dict[str, Any]) -> None:
        step, answer = body["step"], body.get("answer", "done")
        self.answers.append(Answer(entry.utc, step, self.title(step), answer))
        self._taken(step, answer)

    def _remark(self, entry: Entry, body: dict[str, Any]) -> None:
        step, text = body["step"], body["text"]
        if self.answers and self.answers[-1].step == step and not self.answers[-1].remark:
            self.answers[-1] = replace(self.answers[-1], remark=text)
        else:  # beside a reading
            self.answers.append(Answer(entry.utc, step, self.title(step), "", text))

    def _skipped(self, entry: Entry, body: dict[str, Any]) -> None:
        recording = self.now if body.get("audio") else None
        self.skipped[body["step"]] = NotChecked(body["step"], self.title(body["step"]), body["reason"], recording)

    def _hazards_voiced(self, entry: Entry, body: dict[str, Any]) -> None:
        step, names = body["step"], tuple(body["hazards"])
        danger = any(self.hazards[name].level == "danger" for name in names if name in self.hazards)
        self.warned.append(Warned(entry.utc, step, self.title(step), names, danger))

    def _understood(self, entry: Entry, body: dict[str, Any]) -> None:
        for place in reversed(range(len(self.warned))):
            if self.warned[place].step == body["step"]:
                self.warned[place] = replace(self.warned[place], understood=True)
                break

    def _site(self, entry: Entry, body: dict[str, Any]) -> None:
        self.power, self.gas = body["power"], body["gas"]

    def _emergency(self, entry: Entry, body: dict[str, Any]) -> None:
        self.power = self.gas = "unknown"
        self.closed, self.ending = False, Ending()  # what was decided before does not stand any more
        self._happened(entry, "emergency", f"Stopped for an emergency: {body['why']}.")

    def _closed(self, entry: Entry, body: dict[str, Any]) -> None:
        self.closed = True

    def _repair(self, entry: Entry, body: dict[str, Any]) -> None:
        if body["restart"]:  # hands were in the appliance: nothing is known of power and gas until it is said again
            self.power = self.gas = "unknown"
        recording = self.said.get(body["words"]) if body["audio"] else None
        self.repairs.append(Repair(entry.utc, body["step"], body["repair"], body["say"], recording))

    def _barred(self, entry: Entry, body: dict[str, Any]) -> None:
        because = printed(body["because"])
        self._happened(entry, "barred", f"No {body['forbids']}, at {self.title(body['step'])}: {because}.")

    def _put_off(self, entry: Entry, body: dict[str, Any]) -> None:
        first = self.title(body["for"])
        self._happened(entry, "put-off", f"Put off until {first} is measured again: {self.title(body['step'])}.")

    def _shut_down(self, entry: Entry, body: dict[str, Any]) -> None:
        self._happened(entry, "shut-down", f"Shut down, at {self.title(body['step'])}.")

    def _decision(self, entry: Entry, body: dict[str, Any]) -> None:
        self.ending = replace(self.ending, stays_on=body["stays_on"], against=tuple(body.get("against", ())))

    def _notice(self, entry: Entry, body: dict[str, Any]) -> None:
        self.ending = replace(self.ending, notice={name: tuple(lines) for name, lines in body.items()})

    def _told(self, entry: Entry, body: dict[str, Any]) -> None:
        told = None if body["nobody"] else self.now
        self.ending = replace(self.ending, told=told, nobody_told=body["nobody"])

    def _follow_up(self, entry: Entry, body: dict[str, Any]) -> None:
        what = None if body["nothing"] else self.now
        self.ending = replace(self.ending, follow_up=what, because=tuple(body["because"]))

    def _device(self, entry: Entry, body: dict[str, Any]) -> None:
        self.happenings.append(Happening(entry.utc, "device", f"Device: {body['what']}."))

    def _erased(self, entry: Entry, body: dict[str, Any]) -> None:
        self.happenings.append(Happening(entry.utc, "audio-erased", "Recordings were erased."))

    def _happened(self, entry: Entry, kind: str, text: str) -> None:
        self.happenings.append(Happening(entry.utc, kind, text, self.now))

    def _not_voiced(self, entry: Entry, body: dict[str, Any]) -> None:
        self.happenings.append(Happening(entry.utc, "not-voiced", f"The voice failed: {body['problem']}."))

    def _not_opened(self, entry: Entry, body: dict[str, Any]) -> None:
        self.happenings.append(Happening(entry.utc, "not-opened", body["reason"]))

    def _note(self, entry: Entry, body: dict[str, Any]) -> None:
        self._happened(entry, "note", f"Note: {body['words'] or 'as recorded'}.")

    def _cleared_by(self, entry: Entry, body: dict[str, Any]) -> None:
        self._happened(entry, "cleared-by", "The name of who says that the area is clear was recorded.")

    def _area_clear(self, entry: Entry, body: dict[str, Any]) -> None:
        self._happened(entry, "area-clear", "Said to be clear; the visit began again.")

    def _compared(self, entry: Entry, body: dict[str, Any]) -> None:
        before = ", ".join(f"{value} on {date or 'the last visit'}" for date, value in body["earlier"])
        name, unit = body["quantity"].replace("-", " "), UNIT_SYMBOL[body["unit"]]
        slope = f" It goes by {body['per_year']} {unit} a year." if "per_year" in body else ""
        self._happened(entry, "compared", f"Earlier {name}: {before}; now {body['value']} {unit}.{slope}")

    def _not_waited(self, entry: Entry, body: dict[str, Any]) -> None:
        early = f"{body['left_s']} s before its wait of {body['seconds']} s was over"
        self._happened(entry, "not-waited", f"Answered {early}: {self.title(body['step'])}.")

    def _stopwatch(self, entry: Entry, body: dict[str, Any]) -> None:
        text = f"Stopwatch {body['number']} at {self.title(body['step'])}: {body['seconds']} s."
        self._happened(entry, "stopwatch-read", text)

    def _held(self, entry: Entry, body: dict[str, Any]) -> None:
        self._happened(entry, entry.kind, f"{_HELD[entry.kind]} at {self.title(body['step'])}.")


_HELD = {"hold": "Held", "stop": "Stopped", "go-on": "Went on"}

_HANDLERS = {
    "set-up": _Fold._set_up,
    "said": _Fold._said,
    "kept": _Fold._kept,
    "reading": _Fold._reading,
    "correction": _Fold._correction,
    "refused": _Fold._refused,
    "finding": _Fold._finding,
    "worked-out": _Fold._worked_out,
    "symptom": _Fold._symptom,
    "probable-cause": _Fold._causes,
    "answer": _Fold._answer,
    "done": _Fold._answer,
    "remark": _Fold._remark,
    "skipped": _Fold._skipped,
    "left-out": _Fold._skipped,
    "hazards-voiced": _Fold._hazards_voiced,
    "understood": _Fold._understood,
    "site": _Fold._site,
    "emergency": _Fold._emergency,
    "cleared-by": _Fold._cleared_by,
    "area-clear": _Fold._area_clear,
    "summary": _Fold._summed_up,
    "closed": _Fold._closed,
    "not-voiced": _Fold._not_voiced,
    "not-opened": _Fold._not_opened,
    "note": _Fold._note,
    "repair": _Fold._repair,
    "barred": _Fold._barred,
    "put-off": _Fold._put_off,
    "shut-down": _Fold._shut_down,
    "decision": _Fold._decision,
    "notice": _Fold._notice,
    "told": _Fold._told,
    "follow-up": _Fold._follow_up,
    "device": _Fold._device,
    "audio-erased": _Fold._erased,
    "compared": _Fold._compared,
    "not-waited": _Fold._not_waited,
    "stopwatch-read": _Fold._stopwatch,
    "hold": _Fold._held,
    "stop": _Fold._held,
    "go-on": _Fold._held,
}


def _recording(entry: Entry, body: dict[str, Any]) -> Recording:
    return Recording(body.get("audio", ""), body.get("sha256", ""), body["heard"]["text"], entry.utc)


def _judged(body: dict[str, Any]) -> Judged:
    limit = body["limit"]
    return Judged(
        body["verdict"],
        body["reason"],
        body["decision_rule"],
        body["expanded_uncertainty"] or "",
        _read(GenericLimit, limit) if limit else None,
    )


def _read(model: type[M], value: Any) -> M:
    """A rule as the record has it. Keys that are not known here, of another version, pass: nothing is decided by it."""
    return model.model_validate(value, extra="ignore")


def _last(known: Sequence[T], wanted: Callable[[T], bool]) -> int | None:
    """The place of the last one that is wanted."""
    return next((place for place in reversed(range(len(known))) if wanted(known[place])), None)


def _value(value: str, upper: str) -> str:
    return f"{value} to {upper}" if upper else value


def printed(spoken: str) -> str:
    """Words as they print: "flue C O" and "L P" are said, "flue CO" and "LP" are read."""
    return spoken.replace("C O", "CO").replace("L P", "LP")
