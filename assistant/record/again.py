"""Whether an unfinished visit can be gone on with, and what is begun in place of one that cannot."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from pydantic import ValidationError

from assistant.errors import Problem
from assistant.record.chain import Entry, is_closed
from assistant.record.entries import InPlaceOf
from assistant.record.fold import same_now
from assistant.record.record import Record
from assistant.trade.job import Job


def again(path: Path) -> tuple[Job, InPlaceOf] | None:
    """The job of the visit to begin in place of the unfinished one at `path`; None where that can be gone on with.

    It can where its rules are understood whole, and all that was recorded would be decided now as it was then: else
    nobody knows that it would go on from where people left it.

    Raises:
        Problem: if only its end is missing, or not even its job can be read.
    """
    with Record.open(path, read_only=True) as record:
        entries = list(record.entries())
    why = _why_not(entries)
    if not why:
        return None
    if is_closed(entry.kind for entry in entries):
        raise Problem(f"The visit {path} is closed and lacks only its end; write it with: assistant record seal {path}")
    first = entries[0]
    try:
        job = Job.model_validate(first.body.get("job"), extra="ignore")
    except ValidationError as wrong:
        raise Problem(f"The job of the visit {path} cannot be read here; start a new visit with --job.") from wrong
    return job, InPlaceOf(first.hash, first.utc, why)


def _why_not(entries: Sequence[Entry]) -> str:
    """Why a visit cannot be gone on with; empty where it can, or there is none."""
    if not entries or entries[0].kind != "visit":
        return ""
    try:
        same = all(same_now(entries).values())
    except Problem as problem:
        return str(problem)
    return "" if same else "this version of the program would have decided otherwise"
