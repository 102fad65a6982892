"""A record as text for other programs: JSON Lines of every entry, or CSV of the readings."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable

from msgspec import structs

from assistant.record.chain import Entry, to_line
from assistant.record.story import Story

COLUMNS = (
    "seq",
    "utc",
    "step",
    "stage",
    "quantity",
    "value",
    "upper",
    "unit",
    "approximate",
    "judged",
    "verdict",
    "reason",
    "decision_rule",
    "expanded_uncertainty",
    "limit_low",
    "limit_high",
    "limit_unit",
    "limit_authority",
    "limit_source",
    "speaker",
    "words",
    "audio",
    "taken_back",
)


def to_jsonl(rows: Iterable[Entry]) -> str:
    """Every entry, one JSON object a line; `chain.from_line` reads it back, `chain.verify_entries` checks it."""
    return "".join(f"{to_line(row)}\n" for row in rows)


def readings_csv(story: Story) -> str:
    """The readings of a record, one a row, as they were judged then; those taken back again are marked so.

    Values are as said, `judged` is in the limit's unit with the leads' resistance off. Dates are UTC.
    """
    out = io.StringIO()
    writer = csv.DictWriter(out, COLUMNS, extrasaction="ignore", lineterminator="\n")
    writer.writeheader()
    for reading in story.readings:
        row = structs.asdict(reading)
        if limit := reading.limit:
            row |= {f"limit_{name}": getattr(limit, name) for name in ("low", "high", "unit", "authority")}
            row["limit_source"] = ": ".join(filter(None, (limit.source.mark, limit.source.text)))
        writer.writerow({**row, "taken_back": reading.seq in story.taken_back})
    return out.getvalue()
