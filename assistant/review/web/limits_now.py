"""The limits of a visit then, beside those of today."""

from __future__ import annotations

from decimal import Decimal

from assistant.files import library
from assistant.record.entries import Reading
from assistant.record.story import Story
from assistant.review.report import words
from assistant.trade.judging import Limit, Outcome, judge
from assistant.trade.limits import limit_for
from assistant.trade.quantities import Overload


def changed_since(story: Story) -> list[tuple[Reading, Limit | None, Outcome]]:
    """Every standing reading whose limit or verdict would be another today, with these."""
    job = story.rules.job
    limits = library().limits_for(job.appliance.fuel, job.appliance.ignition, job.visit)
    found = []
    for reading in story.standing:
        limit = limit_for(reading.quantity, limits, job)
        spread = Decimal(reading.expanded_uncertainty) if reading.expanded_uncertainty else None
        value = reading.number if reading.number is not None else Overload(reading.judged)
        verdict = judge(value, limit, spread).outcome
        if verdict != reading.verdict or words.bounds(limit) != words.bounds(reading.limit):
            found.append((reading, limit, verdict))
    return found
