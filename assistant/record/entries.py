"""What the entries of a record say: a frozen class for each kind, made of the JSON of an entry.

The kind is the name of the class: `HeardReading` is "heard-reading". What an older program did not write has a default
here, and keys that are not known are passed over. An entry that cannot be read even so is `Unknown`, and is shown as
that.

An `Event` was given to the dialogue, a `Fact` was written by the edges, and the rest is what the dialogue decided. In
all of them a `step` is the id of one of the procedure, `audio` the name of a recording (empty: none was kept), `words`
what was heard, and what ends in `_s` is in seconds; `at_s` and `from_s` count on the sample clock of the sound.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from decimal import Decimal
from typing import Any

import msgspec

from assistant.dialogue.state import Phase
from assistant.language.heard import NOT_WORDS, Heard
from assistant.language.meaning import number_of
from assistant.record.chain import Entry
from assistant.trade.judging import Outcome, accepted
from assistant.trade.limits import GenericLimit

Names = tuple[str, ...]


class Body(msgspec.Struct, frozen=True, kw_only=True):
    """What one entry says."""

    seq: int = 0  # the number of the entry; not in its JSON
    utc: str = ""  # when it was recorded; not in its JSON

    @property
    def kind(self) -> str:
        """The kind of the entry."""
        return _kind(type(self))


NAMES = (Phase.TELLING.value, Phase.CLEARING.value)
"""The questions that a name answers."""


class Unknown(Body, frozen=True):
    """An entry of a kind, or in a shape, that is not known here."""

    named: str  # its kind
    json: dict[str, Any]

    @property
    def kind(self) -> str:
        """The kind of the entry, as the record has it."""
        return self.named


# --- events


class Played(msgspec.Struct, frozen=True):
    """A text that was played by the voice."""

    text: str
    seconds: float


class Event(Body, frozen=True, kw_only=True):
    """Something that happened, for the dialogue; `fold.recorded` makes its event of it."""

    stream_from_s: float | None = None  # of the sound that was heard
    stream_to_s: float | None = None
    played: tuple[Played, ...] | None = None  # what was said until then


class Utterance(Event, frozen=True, kw_only=True):
    """Something that somebody said."""

    heard: Heard
    at_s: float  # of its first word
    audio: str
    over_noise_db: float | None = None  # its words, over the noise around them
    sha256: str | None = None  # of the recording
    question: str | None = None
    engine: str | None = None
    grammar_sha256: str | None = None

    @property
    def understood(self) -> str:
        """Its words; empty where only the recording says it: some were no words of the grammar, or it is a name, for
        which the recognizer knows no words and gives others."""
        return "" if NOT_WORDS in self.heard.text.split() or self.question in NAMES else self.heard.text


class Opened(Event, frozen=True):
    """A run of the program begins."""

    resumed: bool
    program: str | None = None  # its version
    schema: int | None = None  # of the file
    engine: str | None = None  # recognizer and model
    grammar_sha256: str | None = None


class Said(Utterance, frozen=True, kw_only=True):
    """Something said in the visit."""

    decode_s: float | None = None
    repaired: str | None = None  # the words in the form of the grammar, where that is another
    considered: tuple[dict[str, Any], ...] | None = None  # every value that the words can mean, and why it went
    microphone: str | None = None  # "technician" or "helper", where there are two
    interrupted: str | None = None  # what was being said when it cut in
    cut_at_s: float | None = None  # into that


class SetUp(Utterance, frozen=True, kw_only=True):
    """Something said before the visit began, for which there is no dialogue to go on with."""

    asked: str
    decided: str
    heard: Heard = Heard("")  # while it happens, only what was asked and decided is known
    at_s: float = 0.0
    audio: str = ""


class Quiet(Event, frozen=True):
    """Nobody spoke for so long."""

    seconds: float


class Clock(Event, frozen=True):
    """The sample clock came to a moment at which a timer had something to tell."""

    at_s: float


class Voiced(Event, frozen=True):
    """What became of the assistant's words."""

    complete: bool
    problem: str  # why not, else empty


# --- facts


class Fact(Body, frozen=True):
    """What the edges wrote; nothing was decided."""


class InPlaceOf(msgspec.Struct, frozen=True):
    """The unfinished visit that another one was begun in place of."""

    visit: str  # the hash of its first entry
    began: str  # UTC
    why: str  # it could not be gone on with


class Visit(Fact, frozen=True):
    """The first entry: all that is needed to judge the visit again. `setting.Setting` reads it."""

    procedure: dict[str, Any]
    job: dict[str, Any]
    quantities: dict[str, Any]
    limits: dict[str, Any]
    hazards: dict[str, Any]
    grammars: dict[str, str]
    grammar_sha256: str
    engine: str
    voice: str
    origin: Names  # the recordings that it was worked from
    history: dict[str, Any] = {}  # what earlier visits read
    faults: dict[str, Any] = {}
    risks: dict[str, Any] | None = None  # what can be unsafe, in the words of the notice
    in_place_of: InPlaceOf | None = None


class Device(Fact, frozen=True):
    """What happened to a microphone or a loudspeaker."""

    what: str
    problem: str | None = None
    seconds: float | None = None  # it was gone
    gaps: Any = None  # in the sound that came from stream_from_s on
    stream_from_s: float | None = None
    headset: bool | None = None
    microphone: Any = None  # the routes, as `SoundRoute.facts` has them
    loudspeaker: Any = None
    helper_microphone: Any = None


class Discarded(Fact, frozen=True):
    """What was heard and not kept."""

    utterances: int
    seconds: float


class HeldForRoom(Fact, frozen=True):
    """The record could not be written for so long."""

    seconds: float
    problem: str


class AudioErased(Fact, frozen=True):
    """Recordings were erased."""

    files: dict[str, str]  # name -> SHA-256
    why: str
    by: str = ""  # who erased them


class End(Fact, frozen=True):
    """The last entry."""

    entries: int
    recordings: int = 0
    discarded: dict[str, Any] | None = None


class Sealed(Fact, frozen=True):
    """The first line of the seal."""

    file: str
    bytes: int
    sha256: str  # of the file
    entries: int
    audio: dict[str, str]  # name -> SHA-256


# --- decisions: readings and what is worked out


class Judged(Body, frozen=True, kw_only=True):
    """How a value stood when it was judged; nothing where it was not."""

    verdict: Outcome | None = None
    reason: str = ""
    decision_rule: str = ""
    expanded_uncertainty: str | None = None  # U (k = 2) in the limit's unit, where it is known
    limit: GenericLimit | None = None

    @property
    def accepted(self) -> bool | None:
        """Whether it met its limit: see `judging.accepted`."""
        return accepted(self.verdict, self.limit)


class Value(Judged, frozen=True, kw_only=True):
    """A reading, taken or still to be confirmed."""

    step: str
    quantity: str
    value: str  # as said, every digit
    upper: str = ""  # the other end, where it was not steady
    steady: bool = True
    below: bool = False  # it is less than the value: "closed"
    unit: str  # as said
    judged: str  # in the unit of the quantity, the resistance of the leads taken off
    approximate: bool
    words: str
    audio: str
    speaker: str
    stage: str  # "found" or "left"
    verdict: Outcome

    problem = ""

    @property
    def name(self) -> str:
        """What it is."""
        return self.quantity

    @property
    def number(self) -> Decimal | None:
        """The value that was judged; None where the meter showed no figure."""
        return number_of(self.judged)


class Reading(Value, frozen=True):
    """A reading was taken."""


class HeardReading(Value, frozen=True, kw_only=True):
    """A reading was heard, and a yes is asked for."""

    asked_because: str


class HeardList(Body, frozen=True):
    """Readings were said by name in one breath, and a yes is asked for all of them."""

    step: str
    values: list[dict[str, str]]  # of each its quantity, value and unit
    speaker: str


class Refused(Body, frozen=True):
    """What was heard was answered with no."""

    step: str
    value: str

    @property
    def before(self) -> str:
        """What was refused."""
        return self.value


class Kept(Body, frozen=True):
    """A reading was said before it was asked, and is kept until then."""

    quantity: str
    value: str
    unit: str
    speaker: str


class Correction(Body, frozen=True):
    """A reading (`quantity`) or an answer was taken back."""

    step: str
    quantity: str | None = None
    withdrawn: str | None = None  # the value of the reading
    answer: str | None = None  # the answer, or the remark
    findings: Names = ()  # what went with it
    repair: str | None = None  # that was never made, then

    @property
    def before(self) -> str:
        """What was taken back."""
        return (self.answer if self.quantity is None else self.withdrawn) or ""


class Finding(Judged, frozen=True, kw_only=True):
    """Worked out from readings. Without a value it could not be, for the `problem`."""

    finding: str
    step: str
    value: str = ""
    unit: str
    problem: str
    assumption: str = ""

    @property
    def name(self) -> str:
        """What it is."""
        return self.finding

    @property
    def beside(self) -> str:
        """What is told beside it."""
        return self.problem or self.assumption


class Input(msgspec.Struct, frozen=True, rename={"origin": "from"}):
    """What something was worked out from, and where that came from."""

    value: str
    unit: str
    origin: str


class WorkedOut(Judged, frozen=True, kw_only=True):
    """Worked out by voice."""

    working: str
    step: str
    value: str
    unit: str
    worked_uncertainty: str | None  # U (k = 2)
    whole: bool  # that is all of it
    inputs: dict[str, Input]
    generic: Names  # what was a usual figure
    assumptions: Names
    source: str

    problem = ""

    @property
    def name(self) -> str:
        """What it is."""
        return self.working

    @property
    def beside(self) -> str:
        """What is told beside it: what it rests on."""
        doubt = self.worked_uncertainty
        rests = [
            *([f"± {doubt} (k = 2){'' if self.whole else ' or more'}"] if doubt else []),
            *(f"{key} {known.value} ({known.origin})" for key, known in self.inputs.items()),
            *(f"generic {name}" for name in self.generic),
            *self.assumptions,
        ]
        return "; ".join(rests)


class NotWorkedOut(Body, frozen=True):
    """It could not be, or was given up."""

    step: str
    working: str
    reason: str


class WorkingInput(Body, frozen=True):
    """A value was said for what is worked out by voice."""

    step: str
    working: str
    quantity: str
    value: str
    unit: str
    words: str
    audio: str


class WorkingCorrection(Body, frozen=True):
    """Such a value was taken back."""

    step: str
    quantity: str
    withdrawn: str


class OtherGasOff(Body, frozen=True):
    """Whether all other gas is off while the meter is clocked."""

    step: str
    answer: str


class Compared(Body, frozen=True):
    """A value beside those of earlier visits."""

    step: str
    quantity: str
    value: str
    unit: str
    earlier: tuple[tuple[str, str], ...]  # date (may be empty), value
    per_year: str | None = None
    limit: str | None = None
    years_to_limit: str | None = None


# --- decisions: steps


class Step(Body, frozen=True):
    """Something at a step."""

    step: str


class Answer(Step, frozen=True):
    """A check was answered."""

    answer: str
    words: str


class Done(Step, frozen=True):
    """A step was done."""

    words: str

    answer = "done"


class Remark(Step, frozen=True):
    """A check found something."""

    text: str

    answer = ""


class Skipped(Step, frozen=True):
    """Somebody left it out."""

    reason: str
    audio: str


class LeftOut(Step, frozen=True):
    """The job or another finding leaves it out."""

    reason: str

    audio = ""


class NotOpened(Step, frozen=True):
    """Power or gas are not as it needs them."""

    reason: str


class HazardsVoiced(Step, frozen=True):
    """Its hazards were played to the end."""

    hazards: Names


class Understood(Step, frozen=True):
    """Somebody said so."""

    hazards: Names


class NotVoiced(Step, frozen=True):
    """The voice failed."""

    problem: str


class Unclear(Step, frozen=True):
    """Something was heard that is no answer."""

    reason: str
    choices: Names


class Site(Step, frozen=True):
    """How power and gas are now."""

    power: str
    gas: str


class GoBack(Body, frozen=True):
    """To an earlier step."""

    to: str


class Stands(Step, frozen=True):
    """What was done before a repair still stands."""

    outcome: str


class Hold(Step, frozen=True):
    """The visit is on hold."""


class Stop(Step, frozen=True):
    """It was stopped."""


class GoOn(Step, frozen=True):
    """It goes on."""


class Speaker(Body, frozen=True):
    """Who reads from now on."""

    speaker: str


class Note(Step, frozen=True):
    """A note was taken down."""

    audio: str
    words: str


class VoiceSet(Body, frozen=True):
    """How loud and how fast, in steps from the usual."""

    volume: int
    pace: int


class TalkSet(Body, frozen=True):
    """How much the assistant says, "brief" or "full"."""

    pace: str


class Called(Step, frozen=True):
    """Nobody spoke at a step with a danger."""

    times: int
    seconds: float


class NoAnswer(Called, frozen=True):
    """Nobody answered."""


# --- decisions: what forbids, repairs, faults


class Barred(Step, frozen=True):
    """What was found forbids it."""

    forbids: str
    because: str


class PutOff(Step, frozen=True, rename={"first": "for"}):
    """Another step comes first."""

    first: str


class ShutDown(Step, frozen=True):
    """The appliance is shut down."""


class Repair(Step, frozen=True):
    """Something was repaired."""

    repair: str
    say: str
    voids: Names  # steps that are asked again
    restart: str  # where the visit begins again, with power and gas unknown; empty: nowhere
    words: str
    audio: str


class Symptom(Step, frozen=True):
    """What the appliance does or does not do."""

    symptom: str
    words: str
    audio: str


class ProbableCause(Step, frozen=True):
    """The probable causes were asked for."""

    causes: tuple[tuple[str, float], ...]  # with their shares, most probable first
    because: Names


class NextMeasurement(Step, frozen=True):
    """What to measure next was asked for."""

    observation: str


class NextBest(Step, frozen=True):
    """Why this step comes next in a no heat visit."""

    observation: str
    bits: float  # how much it tells
    causes: tuple[tuple[str, float], ...]


# --- decisions: time


class Mark(Step, frozen=True):
    """A mark of a run."""

    at_s: float
    event: str | None = None


class Times(Step, frozen=True):
    """The times that the marks give."""

    marks: dict[str, float]
    missed: Names


class MarksDropped(Step, frozen=True):
    """The marks of a run do not count."""

    reason: str


class Timer(Body, frozen=True):
    """A timer was started."""

    seconds: int
    from_s: float


class TimerOver(Body, frozen=True):
    """It is over."""

    seconds: int
    at_s: float


class TimerOff(Body, frozen=True):
    """Timers were put off."""

    seconds: tuple[int, ...]


class WaitOver(Step, frozen=True):
    """The wait that a step asks for is over."""

    seconds: int
    at_s: float


class NotWaited(Step, frozen=True):
    """It was answered before that."""

    seconds: int
    left_s: float


class Stopwatch(Body, frozen=True):
    """A stopwatch was started."""

    number: int
    from_s: float


class StopwatchRead(Step, frozen=True):
    """It was read."""

    number: int
    from_s: float
    at_s: float
    seconds: float


class StopwatchRefused(Step, frozen=True):
    """A mark of the step is awaited."""

    number: int


class StopwatchLost(Body, frozen=True):
    """The visit was interrupted."""

    numbers: tuple[int, ...]


# --- decisions: emergencies and the end


class Emergency(Step, frozen=True):
    """The visit was stopped for an emergency."""

    why: str
    of: str | None = msgspec.field(default=None, name="kind")  # gas, carbon monoxide, fire, unknown


class AreaClearSaid(Body, frozen=True):
    """Somebody says that the area is clear."""

    audio: str


class ClearedBy(Body, frozen=True):
    """Who that is."""

    audio: str
    words: str


class AreaClear(Body, frozen=True):
    """It is, and the visit begins again."""

    audio: str


class Summary(Body, frozen=True, kw_only=True):
    """What the visit comes to; `dialogue.summary` says what is in its lists."""

    found: list[dict[str, Any]]
    not_checked: list[dict[str, Any]]
    unsafe: list[dict[str, Any]]
    against: Names | None = None
    repairs: list[Any]
    readings: int
    site: dict[str, str]
    follow_up_because: Names
    complaint: str | None = None
    cause: str | None = None  # empty: none was found; None: it was not looked for


class Decision(Body, frozen=True):
    """The technician decides whether the appliance stays on."""

    stays_on: bool
    times_asked: int
    against: Names = ()  # what speaks against it


class Notice(Body, frozen=True):
    """What the notice of an unsafe appliance says."""

    hazards: Names
    shut: Names
    restores: Names


class Told(Body, frozen=True):
    """Who was told."""

    nobody: bool
    audio: str
    words: str


class FollowUp(Body, frozen=True):
    """What is to be done."""

    nothing: bool
    because: Names
    audio: str
    words: str


class Closed(Summary, frozen=True, kw_only=True):
    """The visit is closed."""

    out_of_limits: Names
    remarks: list[Any]
    stays_on: bool | None
    told: str
    follow_up: str
    notice: dict[str, Any] | None


def _kind(of: type[Body]) -> str:
    return re.sub(r"(?<=.)(?=[A-Z])", "-", of.__name__).lower()


def _below(of: type[Body]) -> Iterator[type[Body]]:
    for each in of.__subclasses__():
        yield each
        yield from _below(each)


_ABSTRACT = (Unknown, Event, Utterance, Fact, Judged, Value, Step)

KINDS: dict[str, type[Body]] = {_kind(of): of for of in _below(Body) if of not in _ABSTRACT}
"""Kind -> its class."""


def read(entry: Entry) -> Body:
    """What an entry says."""
    return of(entry.kind, entry.body, entry.seq, entry.utc)


def of(kind: str, json: dict[str, Any], seq: int = 0, utc: str = "") -> Body:
    """What an entry of this kind says."""
    for but in ({}, {"limit": None}):  # a limit that today's rules refuse does not hide the reading
        try:
            given = {**json, **but, "seq": seq, "utc": utc}
            return msgspec.convert(given, KINDS[kind], dec_hook=_rule)
        except (KeyError, TypeError, msgspec.ValidationError):
            continue
    return Unknown(kind, json, seq=seq, utc=utc)


def _rule(of: type[GenericLimit], json: object) -> GenericLimit:
    # Keys of another version pass: nothing is decided by it.
    return of.model_validate(json, extra="ignore")
