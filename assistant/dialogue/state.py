"""The state of a visit: everything the dialogue knows, as one frozen value.

Nothing is kept outside it, so that a visit can be folded again from its record at any time.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from decimal import Decimal
from enum import Enum
from typing import Any, ClassVar, Literal, TypeVar

from assistant.dialogue.effects import Say
from assistant.language.meaning import Command, Reading, Value
from assistant.trade.faults import Faults
from assistant.trade.history import History
from assistant.trade.job import Job, Pace
from assistant.trade.judging import Act, Verdict
from assistant.trade.limits import GenericLimit
from assistant.trade.procedures import Hazard, Procedure
from assistant.trade.procedures import State as Site
from assistant.trade.quantities import Quantity
from assistant.trade.risks import Risk


class Phase(Enum):
    """What the dialogue waits for. The value is the name of the question, by which a grammar may have words for it."""

    WARNING = "warning"  # a step's hazards are being voiced; with a danger, for "understood"
    ASKING = "asking"  # for the answer of the step
    CONFIRMING = "confirming"  # for a yes or no to the reading or answer that was heard
    PROPOSING = "proposing"  # for a yes or no to a command that was nearly said
    REASON = "reason"  # for the reason of a skip
    NOTING = "noting"  # for a note
    HOLDING = "holding"  # for "go on"
    EMERGENCY = "emergency"  # for "area clear"
    CLEARING = "clearing"  # for the name of whoever says so
    CLEARED = "cleared"  # for the yes after the name
    MISSED = "event"  # for the event that got no mark
    TIMED = "timed"  # for a yes or no to the times that the marks give
    REPAIR = "repair"  # for what was repaired
    REPAIRED = "repaired"  # for a yes or no to the repair that was heard, or is offered
    BARRED = "barred"  # before a step that lights or runs, which something forbids: for a repair or the shut-down
    WORKING = "working-out"  # for an input of what is worked out aside
    DECIDING = "deciding"  # at the end: for the technician's decision whether the appliance stays on
    SHUTTING = "shutting"  # at the end: the hazards of shutting off are voiced; for "understood"
    SHUT = "shut"  # at the end: for gas and power being shut off
    PROVING = "proving"  # at the end: for a yes or no to their being shut off
    TELLING = "telling"  # at the end: for the name of who was told
    FOLLOW_UP = "follow-up"  # at the end: for what is to be done
    CLOSED = "closed"

    @property
    def phase(self) -> Phase:
        """Itself, as where the dialogue is (`At`)."""
        return self


IN_EMERGENCY = frozenset({Phase.EMERGENCY, Phase.CLEARING, Phase.CLEARED})
"""From an emergency to the area being clear."""


@dataclass(frozen=True)
class Rules:
    """What a visit is worked by; stored whole in its record, so that it can be judged again as it was.

    history: what earlier visits to the same appliance read. faults: the table of faults. risks: what can be unsafe.
    """

    procedure: Procedure
    quantities: Mapping[str, Quantity]
    limits: Mapping[str, GenericLimit]
    hazards: Mapping[str, Hazard]
    job: Job
    history: History = field(default_factory=History)
    faults: Faults = field(default_factory=Faults)
    risks: Mapping[str, Risk] = field(default_factory=dict)


@dataclass(frozen=True, kw_only=True)
class Candidate(Reading):
    """A reading that was heard and is not yet taken."""

    words: str = ""
    timed: bool = False  # the value is from "mark"
    audio: str = ""
    why: str = ""  # why it is asked


@dataclass(frozen=True)
class HeardAnswer:
    """The yes or no to a check that was heard and is not yet taken."""

    words: str
    answer: str
    of_looks: bool = False  # it is that none of a list of looks has found anything


@dataclass(frozen=True)
class HeardList:
    """Readings that were said by name in one breath, by quantity, and are not yet taken."""

    entries: tuple[tuple[str, Candidate], ...]


@dataclass(frozen=True, kw_only=True)
class _Known:
    """Whether what a visit came to know still stands."""

    withdrawn: bool = False  # taken back
    after: int = 0  # how many repairs came before it
    voided_by: int | None = None  # the repair, counted from 0, after which it no longer stands; it stays as found

    @property
    def voided(self) -> bool:
        """Whether a repair came after it."""
        return self.voided_by is not None

    @property
    def stands(self) -> bool:
        """Whether it was not taken back, and no repair came after it."""
        return not (self.withdrawn or self.voided)


@dataclass(frozen=True, kw_only=True)
class Taken(_Known, Reading):
    """A reading that was taken."""

    step: str
    quantity: str
    judged: Value  # in the limit's unit, lead resistance taken off
    verdict: Verdict
    words: str
    speaker: str
    stage: str
    audio: str = ""  # the recording of the value


@dataclass(frozen=True)
class Answer(_Known):
    """The answer to a check. text: what it found; empty where nothing is wrong."""

    step: str
    answer: str
    text: str = ""


@dataclass(frozen=True)
class Found(_Known):
    """What follows from readings. It is worked out from those that stand, and never stored (`figures.findings`), but
    for what was worked out aside, by voice.

    withdrawn: it rests on a reading that was taken back and not read again. rests_on: of one worked out aside, the
    quantities whose readings it was worked out from.
    """

    name: str
    step: str
    value: Decimal | None
    unit: str
    verdict: Verdict | None
    problem: str = ""
    aside: bool = False
    rests_on: tuple[str, ...] = ()


Fact = Taken | Answer | Found
"""What a visit came to know, in the order in which it did."""


@dataclass(frozen=True)
class Bar:
    """Something that forbids.

    about: the quantity, the check or the finding. fact: what was found. acts: what it forbids. stands: "found" until
    it is mended or read again, "taken back" until it is read again, "mended" until it is measured again.
    """

    about: str
    fact: Fact
    acts: tuple[Act, ...]
    stands: Literal["found", "taken back", "mended"]


@dataclass(frozen=True)
class Mark:
    """A mark of a timed step. event: the one that was named with it. at_s: on the stream's sample clock."""

    at_s: float
    event: str = ""


@dataclass(frozen=True)
class Timer:
    """A timer. from_s: when it began, on the stream's sample clock; None where that is when the clock next comes.

    told: only what is left below so many seconds is still to be told; None where what is left at first is to be told
    too. step: the step whose wait it is; empty where it was asked for by voice.
    """

    seconds: int
    from_s: float | None
    told: float | None = None
    step: str = ""

    @property
    def over(self) -> bool:
        """Whether it is over, and that is told; one of a step stays until the step is left."""
        return self.told == 0

    def left_s(self, at_s: float) -> float:
        """What is left of it then, in seconds."""
        return self.seconds - (0.0 if self.from_s is None else at_s - self.from_s)


@dataclass(frozen=True)
class Repaired:
    """A repair that was made. name: in the procedure's repairs. voids: the steps asked again, as left."""

    name: str
    step: str
    voids: tuple[str, ...]
    audio: str = ""


@dataclass(frozen=True)
class Skipped:
    """A step that was left out, and why. audio: the recording of the reason. part: only something of the step was."""

    step: str
    reason: str
    audio: str = ""
    part: bool = False


@dataclass(frozen=True)
class Hand:
    """What belongs to the step in hand, until another is opened; or to what is worked out aside meanwhile."""

    asked: bool = False  # its question was put: the warnings were voiced, and understood where they must be
    correcting: Taken | Answer | None = None  # what was taken back and is asked again
    refused: tuple[Value, ...] = ()  # values that were answered with no, left out of the next try
    doubted: tuple[Value, ...] = ()  # of these, what was heard once more: it is asked, and no longer left out
    not_meant: tuple[str, ...] = ()  # commands that were proposed and answered with no
    first_mark_s: float | None = None  # of a reading in seconds
    marks: tuple[Mark, ...] = ()  # of a timed run, or of the trials that are counted
    untold: tuple[str, ...] = ()  # its times that no two marks give, still to be told in seconds
    looks: tuple[str, ...] = ()  # the steps that are asked as one list, the one in hand first


@dataclass(frozen=True)
class WithData:
    """A phase with its own data."""

    phase: ClassVar[Phase]

    def __init_subclass__(cls, phase: Phase) -> None:
        cls.phase = phase


@dataclass(frozen=True)
class Warned(WithData, phase=Phase.WARNING):
    """Before a step's question."""

    voiced: bool = False  # its hazards were played to the end


@dataclass(frozen=True)
class Confirming(WithData, phase=Phase.CONFIRMING):
    """A reading or an answer was heard, and needs a yes."""

    heard: Candidate | HeardAnswer | HeardList


@dataclass(frozen=True)
class Proposing(WithData, phase=Phase.PROPOSING):
    """A command was nearly said."""

    command: Command
    words: str
    back: At


@dataclass(frozen=True)
class Noting(WithData, phase=Phase.NOTING):
    """A note is taken."""

    back: At


@dataclass(frozen=True)
class Holding(WithData, phase=Phase.HOLDING):
    """On hold."""

    back: At


@dataclass(frozen=True)
class Cleared(WithData, phase=Phase.CLEARED):
    """They said their name."""

    audio: str  # the recording of the name


@dataclass(frozen=True)
class Missed(WithData, phase=Phase.MISSED):
    """A run is over, and its marks are fewer than its events."""

    marks: tuple[Mark, ...]
    events: tuple[str, ...] = ()  # those that are said to have got no mark


@dataclass(frozen=True)
class Timed(WithData, phase=Phase.TIMED):
    """The marks of a run give times that need a yes."""

    marks: tuple[Mark, ...]  # each with its event


@dataclass(frozen=True)
class RepairHeard(WithData, phase=Phase.REPAIRED):
    """A repair by its name in the procedure, that was heard or is offered."""

    name: str
    words: str
    audio: str
    offered: bool = False  # the words named none: the repairs are offered one by one


@dataclass(frozen=True)
class Working(WithData, phase=Phase.WORKING):
    """Something is worked out aside, and an input of it is asked."""

    name: str  # in `trade.feeds`
    back: At  # where it came from, and goes back to
    hand: Hand  # of the step, meanwhile put aside
    asks: str = ""  # the quantity that is asked; empty while it is asked whether all other gas is off
    fresh: bool = False  # the meter is clocked anew
    others_off: bool = False  # all other gas is off
    said: tuple[tuple[str, Taken], ...] = ()  # what was said so far, by quantity
    declined: tuple[str, ...] = ()  # quantities that nobody knows
    heard: Candidate | None = None  # what waits for a yes


@dataclass(frozen=True)
class Deciding(WithData, phase=Phase.DECIDING):
    """The last step is behind."""

    yeses: int = 0  # how often the decision was said


@dataclass(frozen=True)
class Telling(WithData, phase=Phase.TELLING):
    """The decision is taken."""

    stays_on: bool


@dataclass(frozen=True)
class FollowUp(WithData, phase=Phase.FOLLOW_UP):
    """Something is to be done after the visit. told: the recording of who was told, "" for nobody."""

    stays_on: bool
    told: str


At = Phase | WithData
"""Where the dialogue is: a phase, with its data where it has any."""


@dataclass(frozen=True)
class Acknowledged:
    """A warning that was voiced to its end and, where it is of a danger, understood."""

    hazard: str
    site: Site  # the states of power and gas in which it was
    step: str


P = TypeVar("P", bound=WithData)


def handed(state: State, **changes: Any) -> State:
    """The state with changes of what belongs to the step in hand, by the fields of `Hand`."""
    return replace(state, hand=replace(state.hand, **changes))


@dataclass(frozen=True)
class State:
    """A visit at one moment."""

    step: str
    at: At = Phase.ASKING
    hand: Hand = field(default_factory=Hand)
    site: Site = field(default_factory=Site)
    opened: bool = False
    failures: int = 0  # answers in a row that were not understood
    ahead: Mapping[str, Candidate] = field(default_factory=dict)  # readings said before they were asked, by quantity
    facts: tuple[Fact, ...] = ()  # readings, answers, and what was worked out aside
    skipped: tuple[Skipped, ...] = ()
    outcomes: Mapping[str, str] = field(default_factory=dict)  # step -> how it was left, the last time
    repairs: tuple[Repaired, ...] = ()
    ran: tuple[str, ...] = ()  # steps of runs by cause that are behind
    stands: tuple[str, ...] = ()  # steps that are passed over on the way back from a repair
    lit: tuple[str, ...] = ()  # steps that light, left since the last repair
    burning: bool = False  # it was lit, and neither gas nor power was taken away since
    resume_at: str = ""  # the step put off for what a repair wants to be measured first, with the flame
    path: tuple[str, ...] = ()  # steps left behind, in order
    left_at: Mapping[str, float] = field(default_factory=dict)  # step -> when it was left last, on the stream's clock
    now_s: float = 0.0  # the last moment of the stream's clock that an event told
    speaker: str = "technician"
    timers: tuple[Timer, ...] = ()
    stopwatches: Mapping[int, float] = field(default_factory=dict)  # number -> the mark that started it, on that clock
    told: tuple[str, ...] = ()  # the symptoms that the technician told, by their names in the table of faults
    all_good: tuple[str, ...] = ()  # steps of a list that was answered with "all good", still to be left
    pace: Pace = "full"  # of the talk
    warned_of: tuple[Acknowledged, ...] = ()
    said: tuple[Say, ...] = ()  # for "say again"
    silences: int = 0  # how often in a row nobody said anything
    volume: int = 0  # steps louder (or quieter) than at the start, as asked for by voice
    speed: int = 0  # steps faster (or slower)

    @property
    def phase(self) -> Phase:
        """What is waited for."""
        return self.at.phase

    def of(self, kind: type[P]) -> P:
        """The phase, which is of this kind: the table calls a handler in no other."""
        assert isinstance(self.at, kind), f"{self.at} is no {kind.__name__}"
        return self.at

    @property
    def readings(self) -> tuple[Taken, ...]:
        """The readings, those too that were taken back or that a repair came after."""
        return tuple(fact for fact in self.facts if isinstance(fact, Taken))

    @property
    def answers(self) -> tuple[Answer, ...]:
        """The answers to checks, those too that were taken back or that a repair came after."""
        return tuple(fact for fact in self.facts if isinstance(fact, Answer))

    @property
    def remarks(self) -> tuple[Answer, ...]:
        """The answers that found something, and were not taken back."""
        return tuple(answer for answer in self.answers if answer.text and not answer.withdrawn)

    @property
    def standing(self) -> tuple[Taken, ...]:
        """The readings that were not taken back, and that no repair came after."""
        return tuple(taken for taken in self.readings if taken.stands)

    @property
    def as_left(self) -> tuple[str, ...]:
        """The steps that a repair touched: they are asked again, as left."""
        return tuple(dict.fromkeys(step for made in self.repairs for step in made.voids))

    @property
    def symptom(self) -> str:
        """The symptom that was told last; empty where none was."""
        return self.told[-1] if self.told else ""

    @property
    def is_brief(self) -> bool:
        """Whether the talk is brief."""
        return self.pace == "brief"

    def outcome(self, step: str) -> str:
        """How a step was left the last time; empty when it was not."""
        return self.outcomes.get(step, "")

    @property
    def waits(self) -> bool:
        """Whether a wait that the step asks for runs."""
        return any(timer.step and not timer.over for timer in self.timers)

    @property
    def counts_marks(self) -> bool:
        """Whether a run is being marked: then the assistant must not speak, since it cannot hear meanwhile."""
        return bool(self.hand.marks) and self.at is Phase.ASKING and not self.hand.untold

    def latest(self, quantity: str) -> Taken | None:
        """The last standing reading of a quantity."""
        return next((t for t in reversed(self.standing) if t.quantity == quantity), None)
