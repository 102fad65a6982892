"""The state of a visit: everything the dialogue knows, as one frozen value.

Nothing is kept outside it, so that a visit can be folded again from its record at any time.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from decimal import Decimal
from enum import Enum

from assistant.dialogue.effects import Say
from assistant.language.meaning import Value
from assistant.trade.job import Job
from assistant.trade.judging import Verdict
from assistant.trade.limits import GenericLimit
from assistant.trade.procedures import Hazard, Procedure
from assistant.trade.procedures import State as Site
from assistant.trade.quantities import Quantity


class Phase(Enum):
    """What the dialogue waits for."""

    WARNING = "warning"  # a step's hazards are being voiced; with a danger, for "understood"
    ASKING = "asking"  # for the answer of the step
    CONFIRMING = "confirming"  # for a yes or no to what was heard
    REASON = "reason"  # for the reason of a skip
    NOTING = "noting"  # for a note
    HOLDING = "holding"  # for "go on"
    EMERGENCY = "emergency"  # for "area clear"
    CLEARING = "clearing"  # for the name of whoever says so, then a yes
    CLOSED = "closed"


@dataclass(frozen=True)
class Rules:
    """What a visit is worked by; stored whole in its record, so that it can be judged again as it was."""

    procedure: Procedure
    quantities: Mapping[str, Quantity]
    limits: Mapping[str, GenericLimit]
    hazards: Mapping[str, Hazard]
    job: Job


@dataclass(frozen=True)
class Candidate:
    """What was heard and is not yet taken: a reading, or the answer "yes" or "no" to a check.

    timed: the value is from the stopwatch of "mark".
    """

    words: str
    value: Value | None = None
    unit: str = ""
    answer: str = ""
    approximate: bool = False
    timed: bool = False
    audio: str = ""
    why: str = ""  # why it is asked
    upper: Decimal | None = None  # the other end of a range
    command: str = ""  # a command that was nearly said, and is proposed
    phase: Phase = Phase.ASKING  # where that command was said


@dataclass(frozen=True)
class Taken:
    """A reading that was taken. judged: its value in the limit's unit, lead resistance taken off.

    audio: the recording of the value.
    """

    step: str
    quantity: str
    value: Value
    unit: str
    judged: Value
    verdict: Verdict
    words: str
    speaker: str
    stage: str
    approximate: bool = False
    upper: Decimal | None = None
    withdrawn: bool = False
    audio: str = ""


@dataclass(frozen=True)
class Found:
    """A finding that was worked out from readings."""

    name: str
    step: str
    value: Decimal | None
    unit: str
    verdict: Verdict | None
    problem: str = ""


@dataclass(frozen=True)
class Skipped:
    """A step that was left out, and why. audio: the recording of the reason."""

    step: str
    reason: str
    audio: str = ""


@dataclass(frozen=True)
class State:
    """A visit at one moment."""

    step: str
    phase: Phase = Phase.ASKING
    site: Site = field(default_factory=Site)
    opened: bool = False
    warned: bool = False  # the hazards of this step were played to the end
    asked: bool = False  # its question was put: the warnings were voiced, and understood where they must be
    candidate: Candidate | None = None
    ahead: tuple[tuple[str, Candidate], ...] = ()  # readings said before they were asked, by quantity
    correcting: Taken | None = None  # the reading that was taken back and is asked again
    refused: tuple[Value, ...] = ()
    failures: int = 0  # answers in a row that were not understood
    readings: tuple[Taken, ...] = ()
    findings: tuple[Found, ...] = ()
    remarks: tuple[tuple[str, str], ...] = ()  # (step, what a check found)
    skipped: tuple[Skipped, ...] = ()
    path: tuple[str, ...] = ()  # steps left behind, in order
    back_to: Phase = Phase.ASKING  # where "go on" leads
    speaker: str = "technician"
    timer_from_s: float | None = None
    said: tuple[Say, ...] = ()  # for "say again"

    @property
    def standing(self) -> tuple[Taken, ...]:
        """The readings that were not taken back."""
        return tuple(taken for taken in self.readings if not taken.withdrawn)

    def latest(self, quantity: str) -> Taken | None:
        """The last standing reading of a quantity."""
        return next((t for t in reversed(self.standing) if t.quantity == quantity), None)
