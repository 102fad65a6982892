"""A record as text for other programs: JSON Lines of every entry, or CSV of the readings."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable
from typing import Any

from assistant.record.chain import Entry, Row, to_line

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


def to_jsonl(rows: Iterable[Row]) -> str:
    """Every entry, one JSON object a line; `chain.from_line` reads it back, `chain.verify_entries` checks it."""
    return "".join(f"{to_line(row)}\n" for row in rows)


def readings_csv(entries: Iterable[Entry]) -> str:
    """The readings of a record, one a row, as they were judged then; those taken back again are marked so.

    Values are as said, `judged` is in the limit's unit with the leads' resistance off. Dates are UTC.
    """
    table: list[dict[str, Any]] = []
    for entry in entries:
        body = entry.body
        if entry.kind == "reading":
            limit = body.get("limit") or {}
            row = {name: body.get(name, "") for name in COLUMNS}
            row |= {"seq": entry.seq, "utc": entry.utc, "taken_back": False}
            row |= {f"limit_{name}": limit.get(name, "") for name in ("low", "high", "unit", "authority")}
            row["limit_source"] = _source(limit.get("source") or {})
            table.append(row)
        elif entry.kind == "correction":
            for row in reversed(table):
                if row["quantity"] == body.get("quantity") and not row["taken_back"]:
                    row["taken_back"] = True
                    break
    out = io.StringIO()
    writer = csv.DictWriter(out, COLUMNS, lineterminator="\n")
    writer.writeheader()
    writer.writerows(table)
    return out.getvalue()


def _source(source: dict[str, str]) -> str:
    mark, text = source.get("mark", ""), source.get("text", "")
    return f"{mark}: {text}" if text else mark
