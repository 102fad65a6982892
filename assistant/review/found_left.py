"""What was measured and worked out in a visit, each quantity once: as it was found, and as it was left."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

from assistant.record.entries import Finding, Reading, Repair, WorkedOut
from assistant.record.story import Story
from assistant.review.report import words

Stands = Reading | Finding | WorkedOut


@dataclass(frozen=True)
class Line:
    """One quantity or finding."""

    name: str
    found: Stands | None  # None where it was first measured after work on it
    left: Stands | None  # None where it was not measured again
    repairs: list[str] = field(default_factory=list)  # after it was found, that made it worth measuring again
    refused: list[str] = field(default_factory=list)  # what was read back, and answered with no

    @property
    def last(self) -> Stands | None:
        """As it stands at the end."""
        return self.left or self.found


def as_found_and_left(story: Story) -> list[Line]:
    """Every quantity that was read and stands, in the order of the first readings; then what was worked out."""
    refused: dict[str, list[str]] = {}
    for quantity, body in story.refused:
        refused.setdefault(quantity, []).append(body.value)
    each: dict[str, list[Stands]] = {}
    for stands in (*story.standing, *story.worked_out):
        each.setdefault(stands.name, []).append(stands)
    return [_line(story, name, times, refused.get(name, [])) for name, times in each.items()]


def _line(story: Story, name: str, times: Sequence[Stands], refused: list[str]) -> Line:
    first, last = times[0], times[-1]
    only_left = isinstance(first, Reading) and first.stage == "left"
    found, left = (None, last) if only_left else (first, last if len(times) > 1 else None)
    until = left.seq if left and found else story.last.seq + 1
    repairs = [r.say for r in story.repairs if found and found.seq < r.seq < until and _touches(r, found)]
    return Line(words.name(story, name), found, left, list(dict.fromkeys(repairs)), refused)


def _touches(repair: Repair, found: Stands) -> bool:
    return isinstance(found, Reading) and found.step in repair.voids
