"""The limits of a visit then, beside those of today."""

from __future__ import annotations

from dataclasses import dataclass
from decimal import Decimal

from assistant.files import library
from assistant.record.entries import Reading
from assistant.record.story import Story
from assistant.review.report import words
from assistant.trade.judging import Value, judge
from assistant.trade.limits import limit_for
from assistant.trade.quantities import Overload


@dataclass(frozen=True)
class ThenAndNow:
    """A reading by the limit of its record and by that of today, in words. changed: the verdict would be another."""

    name: str
    reading: str
    limit_then: str
    limit_now: str
    verdict_then: str
    verdict_now: str
    changed: bool


def then_and_now(story: Story) -> list[ThenAndNow]:
    """Every standing reading whose limit or verdict would be another today."""
    job = story.rules.job
    limits = library().limits_for(job.appliance.fuel, job.appliance.ignition, job.visit)
    rows = []
    for reading in story.standing:
        limit = limit_for(reading.quantity, limits, job)
        spread = Decimal(reading.expanded_uncertainty) if reading.expanded_uncertainty else None
        verdict = judge(_value(reading), limit, spread)
        then, now = words.bounds(reading.limit), words.bounds(limit)
        changed = verdict.outcome != reading.verdict
        if changed or then != now:
            rows.append(
                ThenAndNow(
                    words.sentence(story.title(reading.step)),
                    words.reading(reading),
                    then,
                    now,
                    words.VERDICTS[reading.verdict],
                    words.VERDICTS[verdict.outcome],
                    changed,
                )
            )
    return rows


def _value(reading: Reading) -> Value:
    return reading.number if reading.number is not None else Overload(reading.judged)
