"""What was measured and worked out in a visit, each quantity once: as it was found, and as it was left."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

from assistant.record.entries import Finding, Reading, Repair, Utterance, WorkedOut
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
    for quantity, body in story.refused:
        refused.setdefault(quantity, []).append(body.value)
    sides: dict[str, list[Side]] = {}
    for of in (*story.standing, *story.worked_out):
        sides.setdefault(of.name, []).append(_side(story, of))
    return [_line(story, name, each, refused.get(name, [])) for name, each in sides.items()]


def _side(story: Story, of: Reading | Finding | WorkedOut) -> Side:
    if isinstance(of, Reading):
        return Side(of, words.reading(of), of.speaker, story.recordings.get(of.seq))
    return Side(of, words.finding(of), "worked out", None)


def _line(story: Story, name: str, sides: Sequence[Side], refused: list[str]) -> Line:
    first, last = sides[0], sides[-1]
    only_left = isinstance(first.of, Reading) and first.of.stage == "left"
    found, left = (None, last) if only_left else (first, last if len(sides) > 1 else None)
    until = left.of.seq if left and found else story.last.seq + 1
    repairs = [r.say for r in story.repairs if found and found.of.seq < r.seq < until and _touches(r, found)]
    return Line(words.name(story, name), found, left, list(dict.fromkeys(repairs)), refused)


def _touches(repair: Repair, side: Side) -> bool:
    return isinstance(side.of, Reading) and side.of.step in repair.voids
