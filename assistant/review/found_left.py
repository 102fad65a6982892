"""What was measured and worked out in a visit, each quantity once: as it was found, and as it was left."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field

from assistant.record.entries import Finding, Reading, Refused, Repair, Utterance, WorkedOut
from assistant.record.story import Story
from assistant.review.report import words


@dataclass(frozen=True)
class Side:
    """A quantity at one moment."""

    of: Reading | Finding | WorkedOut
    value: str
    who: str  # who said it; "worked out" where nobody did
    recording: Utterance | None  # from which it was heard


@dataclass(frozen=True)
class Line:
    """One quantity or finding."""

    name: str
    found: Side | None  # None where it was first measured after work on it
    left: Side | None  # None where it was not measured again
    repairs: list[str] = field(default_factory=list)  # after it was found, that made it worth measuring again
    refused: list[str] = field(default_factory=list)  # what was read back, and answered with no

    @property
    def last(self) -> Side | None:
        """As it stands at the end."""
        return self.left or self.found


def as_found_and_left(story: Story) -> list[Line]:
    """Every quantity that was read and stands, in the order of the first readings; then what was worked out."""
    refused: dict[str, list[str]] = {}
    for body in story.bodies:
        if isinstance(body, Refused) and story.procedure.has(body.step):
            refused.setdefault(story.procedure.step(body.step).quantity or "", []).append(body.value)
    lines = []
    for name in dict.fromkeys(reading.quantity for reading in story.standing):
        readings = [reading for reading in story.standing if reading.quantity == name]
        sides = [Side(r, words.reading(r), r.speaker, story.recordings.get(r.seq)) for r in readings]
        lines.append(_line(story, name, sides, readings[0].stage == "left", refused.get(name, ())))
    for name in dict.fromkeys(found.name for found in story.worked_out):
        results = [found for found in story.worked_out if found.name == name]
        sides = [Side(each, words.finding(each), "worked out", None) for each in results]
        lines.append(_line(story, name, sides))
    return lines


def _line(story: Story, name: str, sides: Sequence[Side], only_left: bool = False, refused: Iterable[str] = ()) -> Line:
    first, last = sides[0], sides[-1]
    found, left = (None, last) if only_left else (first, last if len(sides) > 1 else None)
    until = left.of.seq if left and found else story.last.seq + 1
    repairs = [r.say for r in story.repairs if found and found.of.seq < r.seq < until and _touches(r, found)]
    return Line(words.name(story, name), found, left, list(dict.fromkeys(repairs)), list(refused))


def _touches(repair: Repair, side: Side) -> bool:
    return isinstance(side.of, Reading) and side.of.step in repair.voids
