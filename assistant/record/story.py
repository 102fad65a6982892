"""The fold of a record: what was read, answered, found and said, and what became of it. Pure.

Report, page, replay, trends, export and the history of an appliance are all made of it. Nothing is judged anew here:
every verdict, limit and reason is the one that was recorded, whatever the rules of today are.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field
from functools import cached_property

from msgspec import structs

from assistant.dialogue.state import Rules
from assistant.record import entries as e
from assistant.record.chain import Entry
from assistant.record.setting import Setting, no_visit, setting_in
from assistant.trade.procedures import Procedure, Step
from assistant.trade.units import UNIT_SYMBOL


@dataclass(frozen=True)
class Happening:
    """Anything else worth a line: an emergency and its end, a hold, a voice that failed, a note."""

    utc: str
    kind: str
    text: str
    recording: e.Utterance | None = None


@dataclass
class Story:
    """A visit as its record has it, up to its last entry.

    What needs its rules raises Problem where they cannot be read here.
    """

    opening: Entry
    last: Entry
    readings: list[e.Reading] = field(default_factory=list)
    worked_out: list[e.Finding | e.WorkedOut] = field(default_factory=list)  # that still follow
    answers: list[e.Answer | e.Done | e.Remark] = field(default_factory=list)  # a remark where it is beside a reading
    remarked: dict[int, str] = field(default_factory=dict)  # what a check found, by the number of its answer
    taken_back: set[int] = field(default_factory=set)  # readings and answers, by number of entry
    recordings: dict[int, e.Utterance] = field(default_factory=dict)  # what it was heard from, by number of entry
    skipped: dict[str, e.Skipped | e.LeftOut] = field(default_factory=dict)  # by step
    corrections: list[e.Correction | e.Refused] = field(default_factory=list)
    instead: dict[int, str] = field(default_factory=dict)  # what was taken then, by the number of the correction
    warned: list[e.HazardsVoiced] = field(default_factory=list)
    understood: set[int] = field(default_factory=set)  # of `warned`, by number of entry
    repairs: list[e.Repair] = field(default_factory=list)
    notices: list[e.Notice] = field(default_factory=list)
    decision: e.Decision | None = None
    notice: e.Notice | None = None  # the one that stands
    told: e.Told | None = None
    follow_up: e.FollowUp | None = None
    complaint: str = ""  # what the appliance did or did not do, as it was told
    cause: str | None = None  # of a no heat visit that came to its end; empty where none was found
    set_up: dict[str, str] = field(default_factory=dict)  # what was asked by voice -> how it was left, the last time
    power: str = "unknown"
    gas: str = "unknown"
    closed: bool = False
    _happened: list[tuple[e.Body, e.Utterance | None]] = field(default_factory=list)  # each after what was said last
    _now: e.Utterance | None = None  # the last that was said
    _said: dict[str, e.Utterance] = field(default_factory=dict)  # by its recording, and the last by its words
    _kept: dict[str, e.Kept] = field(default_factory=dict)  # said ahead, by quantity

    @cached_property
    def setting(self) -> Setting:
        """What the visit was worked by."""
        return setting_in([self.opening], "This record")

    @property
    def rules(self) -> Rules:
        """Its rules."""
        return self.setting.rules

    @property
    def procedure(self) -> Procedure:
        """Its procedure."""
        return self.rules.procedure

    @property
    def began(self) -> str:
        """When the record begins, UTC."""
        return self.opening.utc

    @property
    def happenings(self) -> list[Happening]:
        """What else happened, in sentences."""
        told = ((body, self._told_of(body), recording) for body, recording in self._happened)
        return [Happening(body.utc, body.kind, text, recording) for body, text, recording in told if text]

    @property
    def bodies(self) -> list[e.Body]:
        """What each entry says."""
        return [body for body, _ in self._happened]

    @property
    def standing(self) -> list[e.Reading]:
        """The readings that were not taken back."""
        return [reading for reading in self.readings if reading.seq not in self.taken_back]

    @property
    def last_of_each(self) -> list[e.Reading]:
        """The last standing reading of each quantity, in the order in which they were first read."""
        return list({reading.quantity: reading for reading in self.standing}.values())

    @property
    def findings(self) -> list[e.Finding | e.WorkedOut]:
        """What was worked out last of each name."""
        return list({found.name: found for found in self.worked_out}.values())

    @property
    def remarks(self) -> list[e.Answer | e.Done | e.Remark]:
        """The checks that found something, and were not taken back."""
        return [each for each in self.answers if each.seq in self.remarked and each.seq not in self.taken_back]

    @property
    def emergencies(self) -> list[Happening]:
        """Each time the visit was stopped for an emergency."""
        return [h for h in self.happenings if h.kind == "emergency"]

    @property
    def barred(self) -> list[str]:
        """What was not opened, lit or run because of what was found, each once."""
        return list(dict.fromkeys(h.text for h in self.happenings if h.kind == "barred"))

    @property
    def not_checked(self) -> list[e.Skipped | e.LeftOut]:
        """The steps that were left out, then the readings as found that the visit never came to."""
        known = {reading.quantity for reading in self.standing}
        missed = [
            e.LeftOut(step.id, "the visit did not come to it")
            for step in self.procedure.steps
            if step.quantity and step.stage == "found" and step.quantity not in known and step.id not in self.skipped
        ]
        return [*self.skipped.values(), *missed]

    def latest(self, quantity: str) -> e.Reading | None:
        """The last standing reading of a quantity."""
        return next((reading for reading in reversed(self.standing) if reading.quantity == quantity), None)

    def step(self, name: str) -> Step | None:
        """A step of its procedure; None where that has none of this name."""
        return self.procedure.step(name) if self.procedure.has(name) else None

    def title(self, name: str) -> str:
        """The title of a step, as it prints."""
        step = self.step(name)
        return printed(step.title) if step else name

    @property
    def refused(self) -> list[tuple[str, e.Refused]]:
        """What was read back and answered with no, each with its quantity."""
        steps = [(self.step(body.step), body) for body in self.bodies if isinstance(body, e.Refused)]
        return [(step.quantity, body) for step, body in steps if step and step.quantity]

    def judged_unit(self, reading: e.Reading) -> str:
        """The unit of the value that was judged."""
        quantities = self.rules.quantities
        return quantities[reading.quantity].unit if reading.quantity in quantities else reading.unit

    # --- one entry more

    def add(self, entry: Entry) -> None:
        """Takes one entry more into the story."""
        self.last, body = entry, e.read(entry)
        match body:
            case e.SetUp():
                self.set_up[body.asked] = body.decided
                self._now = body
            case e.Said():
                self._now = self._said[body.audio] = self._said[body.heard.text] = body
            case e.Kept():
                self._kept[body.quantity] = body
            case e.Reading():
                # Times of earlier versions have no recording, only the word that ended them.
                recording, ahead = self._said.get(body.audio or body.words), self._kept.pop(body.quantity, None)
                if ahead and recording and recording.seq < ahead.seq:  # whoever said it ahead is whose value it is
                    body = structs.replace(body, speaker=ahead.speaker)
                self._recorded(body, recording)
                self.readings.append(body)
                self._taken(body.step, f"{body.value} to {body.upper}" if body.upper else body.value)
            case e.Finding() | e.WorkedOut():
                self.worked_out.append(body)
            case e.Answer() | e.Done():
                self.answers.append(body)
                self._taken(body.step, body.answer)
            case e.Remark():
                last = self.answers[-1] if self.answers else None
                if last is None or last.step != body.step or last.seq in self.remarked:
                    self.answers.append(body)
                self.remarked[self.answers[-1].seq] = body.text
            case e.Correction():
                self._take_back(body)
            case e.Refused():
                self._put_right(body)
            case e.Skipped() | e.LeftOut():
                self.skipped[body.step] = body
                self._recorded(body, self._now if body.audio else None)
            case _:
                self._went_on(body)
        self._happened.append((body, self._now))

    def _went_on(self, body: e.Body) -> None:
        """Something other than what was said, measured and answered."""
        match body:
            case e.HazardsVoiced():
                self.warned.append(body)
            case e.Understood():
                self.understood |= {w.seq for w in [w for w in self.warned if w.step == body.step][-1:]}
            case e.Site():
                self.power, self.gas = body.power, body.gas
            case e.Repair():
                if body.restart:  # hands were in it: nothing is known of power and gas until it is said again
                    self.power = self.gas = "unknown"
                self._recorded(body, self._said.get(body.audio))
                self.repairs.append(body)
            case e.Closed():
                self.closed = True
            case e.Summary():
                self.complaint, self.cause = body.complaint or "", body.cause
            case e.Decision():
                self.decision = body
            case e.Notice():
                self.notice = body
                self.notices.append(body)
            case e.Told():
                self.told = body
                self._recorded(body, self._now)
            case e.FollowUp():
                self.follow_up = body
                self._recorded(body, self._now)
            case e.Emergency():
                self.power = self.gas = "unknown"
                self.closed = False  # what was decided before does not stand any more
                self.decision = self.notice = self.told = self.follow_up = None

    def _take_back(self, correction: e.Correction) -> None:
        if correction.quantity is not None:
            if taken := self.latest(correction.quantity):
                self.taken_back.add(taken.seq)
                # What was worked out before it did not rest on it, and stands again.
                self.worked_out = [
                    found for found in self.worked_out if found.name not in correction.findings or found.seq < taken.seq
                ]
        else:
            for answer in reversed(self.answers):
                is_it = (
                    answer.step == correction.step and (answer.answer or self.remarked[answer.seq]) == correction.before
                )
                if is_it and answer.seq not in self.taken_back:
                    self.taken_back.add(answer.seq)
                    break
            if self.repairs and self.repairs[-1].repair == correction.repair:
                self.repairs.pop()
        self._put_right(correction)

    def _taken(self, step: str, value: str) -> None:
        """A reading or an answer was taken at a step: it is checked, and what was corrected has what it was put to."""
        self.skipped.pop(step, None)
        for each in self.corrections:
            if each.step == step:
                self.instead.setdefault(each.seq, value)

    def _put_right(self, body: e.Correction | e.Refused) -> None:
        self.corrections.append(body)
        self._recorded(body, self._now)

    def _recorded(self, body: e.Body, recording: e.Utterance | None) -> None:
        if recording:
            self.recordings[body.seq] = recording

    def _told_of(self, body: e.Body) -> str:
        """What else happened, in a sentence; empty for what is of no interest by itself."""
        title = self.title(body.step) if isinstance(body, e.Step) else ""
        match body:
            case e.Visit() if body.in_place_of:
                old = body.in_place_of
                return f"Begun in place of the visit of {old.began}, which could not go on: {old.why}."
            case e.ProbableCause():
                ranked = ", ".join(f"{cause} {share:.0%}" for cause, share in body.causes[:3]) or "none fits"
                return f"Probable causes, among those of the table: {ranked}."
            case e.PutOff():
                return f"Put off until {self.title(body.first)} is measured again: {title}."
            case e.Note():
                return f"Note: {body.words or 'as recorded'}."
            case e.Compared():
                before = ", ".join(f"{value} on {date or 'the last visit'}" for date, value in body.earlier)
                unit = UNIT_SYMBOL[body.unit]
                slope = f" It goes by {body.per_year} {unit} a year." if body.per_year else ""
                return f"Earlier {body.quantity.replace('-', ' ')}: {before}; now {body.value} {unit}.{slope}"
            case e.AudioErased():
                return f"Recordings were erased{f' by {body.by}' if body.by else ''}: {body.why}."
            case e.Unknown():
                return f"An entry ({body.seq}) of a kind that is not known here: {body.kind}."
        return printed(_TOLD.get(type(body), "").format(of=body, title=title))


_TOLD: dict[type[e.Body], str] = {
    e.Emergency: "Stopped for an emergency: {of.why}.",
    e.Symptom: "Symptom told: {of.symptom}.",
    e.Barred: "No {of.forbids}, at {title}: {of.because}.",
    e.ShutDown: "Shut down, at {title}.",
    e.Device: "Device: {of.what}.",
    e.NotVoiced: "The voice failed: {of.problem}.",
    e.NotOpened: "{of.reason}",
    e.ClearedBy: "The name of who says that the area is clear was recorded.",
    e.AreaClear: "Said to be clear; the visit began again.",
    e.NotWaited: "Answered {of.left_s} s before its wait of {of.seconds} s was over: {title}.",
    e.StopwatchRead: "Stopwatch {of.number} at {title}: {of.seconds} s.",
    e.Hold: "Held at {title}.",
    e.Stop: "Stopped at {title}.",
    e.GoOn: "Went on at {title}.",
}
"""What happened -> in a sentence."""


def story_of(entries: Iterable[Entry]) -> Story:
    """The story of a record's entries.

    Raises:
        Problem: if they do not begin with a visit.
    """
    story: Story | None = None
    for entry in entries:
        story = story or Story(entry, entry)
        story.add(entry)
    if story is None or story.opening.kind != "visit":
        raise no_visit("This record")
    return story


def printed(spoken: str) -> str:
    """Words as they print: "flue C O" and "L P" are said, "flue CO" and "LP" are read."""
    return spoken.replace("C O", "CO").replace("L P", "LP")
