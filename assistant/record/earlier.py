"""Earlier visits to the same appliance, read from the records that lie beside a visit's own."""

from __future__ import annotations

from contextlib import suppress
from datetime import datetime
from pathlib import Path

from assistant.errors import Problem
from assistant.language.meaning import number_of
from assistant.record.entries import Finding
from assistant.record.folder import RECORD
from assistant.record.record import Record
from assistant.record.setting import job_in
from assistant.record.story import Story, story_of
from assistant.trade.computations import FINDINGS
from assistant.trade.history import Earlier, History
from assistant.trade.job import Job, Pace

MOST = 10  # visits that are looked back on, the newest


def history(visits: Path, job: Job, utc: str, but: Path | None = None) -> History:
    """The visits to the job's appliance before `utc` that lie in folders of `visits`.

    The appliance is the same where `Job.appliance_key` is. What cannot be read is passed over: without its history
    a visit is as good as it was. but: a record that is left out.
    """
    of, before = job.appliance_key(), list[tuple[str, Path]]()
    for path in sorted(visits.glob(f"*/{RECORD}")):
        with suppress(Problem):
            began, its_job = _beginning(path)
            if path != but and began < utc and its_job.appliance_key() == of:
                before.append((began, path))
    found: list[list[Earlier]] = []
    for began, path in sorted(before, key=lambda visit: visit[0], reverse=True):
        with suppress(Problem):
            found.append(values_of(_story(path), began[:10], _days(began, utc)))
        if len(found) == MOST:
            break
    return History(date=utc[:10], earlier=tuple(each for values in reversed(found) for each in values))


FIRST_VISITS = 3  # of a technician, whose talk is full (from memory, verify)


def pace_for(visits: Path, job: Job) -> Pace:
    """How much is said where the job file does not tell: all of it on a technician's first visits, then little."""
    if job.pace:
        return job.pace
    closed = 0
    for path in visits.glob(f"*/{RECORD}"):
        with suppress(Problem):
            closed += _beginning(path)[1].technician.name == job.technician.name and _story(path).closed
        if closed == FIRST_VISITS:
            return "brief"
    return "full"


def _beginning(path: Path) -> tuple[str, Job]:
    """When a visit began, and its job: its first entry alone, for a shop's folder holds many long records."""
    with Record.open(path, read_only=True) as record:
        first = next(record.entries(), None)
    job = job_in(first, str(path))
    return first.utc if first else "", job


def _story(path: Path) -> Story:
    """A visit whole, whose rules can be read."""
    with Record.open(path, read_only=True) as record:
        story = story_of(record.entries())
    _ = story.rules  # raises Problem where they cannot
    return story


def values_of(story: Story, date: str, days_ago: int) -> list[Earlier]:
    """The last standing figure of each quantity and finding of a visit. A reading without one ("open") leaves none."""
    figures = {
        **{found.name: found.value for found in story.worked_out if isinstance(found, Finding) or found.verdict},
        **{reading.quantity: reading.judged for reading in story.last_of_each},
    }
    units = {name: of.unit for name, of in (FINDINGS | dict(story.rules.quantities)).items()}
    return [
        Earlier(quantity=name, value=number, unit=units[name], date=date, days_ago=days_ago)
        for name, figure in figures.items()
        if name in units and (number := number_of(figure)) is not None
    ]


def _days(earlier: str, later: str) -> int:
    """Whole days between two times in ISO 8601."""
    return (datetime.fromisoformat(later) - datetime.fromisoformat(earlier)).days
