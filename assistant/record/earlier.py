"""Earlier visits to the same appliance, read from the records that lie beside a visit's own."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import datetime
from decimal import Decimal, InvalidOperation
from pathlib import Path

from assistant.errors import Problem
from assistant.record.chain import Entry
from assistant.record.folder import RECORD
from assistant.record.record import Record
from assistant.record.setting import setting_in
from assistant.trade.computations import FINDINGS
from assistant.trade.history import Earlier, History
from assistant.trade.job import Job

MOST = 10  # visits that are looked back on, the newest


def history(visits: Path, job: Job, utc: str, but: Path | None = None) -> History:
    """The visits to the job's appliance before `utc` that lie in folders of `visits`.

    The appliance is the same where `Job.appliance_key` is. What cannot be read is passed over: without its history
    a visit is as good as it was. but: a record that is left out.
    """
    found: list[tuple[str, list[Earlier]]] = []
    for path in sorted(visits.glob(f"*/{RECORD}")):
        if path == but:
            continue
        try:
            with Record.open(path, read_only=True) as record:
                entries = list(record.entries())
                setting = setting_in(entries, str(path))
        except Problem:
            continue
        began = entries[0].utc
        if began < utc and setting.rules.job.appliance_key() == job.appliance_key():
            units = {name: quantity.unit for name, quantity in setting.rules.quantities.items()}
            found.append((began, values_of(entries, units, began[:10], _days(began, utc))))
    found.sort(key=lambda visit: visit[0])
    return History(date=utc[:10], earlier=tuple(each for _, values in found[-MOST:] for each in values))


def values_of(entries: Iterable[Entry], units: dict[str, str], date: str, days_ago: int) -> list[Earlier]:
    """The last standing figure of each quantity and finding of a visit.

    units: of its quantities, by name. A reading without a figure ("open") leaves none.
    """
    readings: dict[str, list[tuple[int, str]]] = {}
    findings: dict[str, list[tuple[int, str]]] = {}
    for entry in entries:
        body = entry.body
        if entry.kind == "reading":
            readings.setdefault(body["quantity"], []).append((entry.seq, body["judged"]))
        elif entry.kind == "correction" and readings.get(body.get("quantity", "")):
            taken, _ = readings[body["quantity"]].pop()
            for name in body.get("findings", ()):  # what was worked out before it stands again
                findings[name] = [(seq, figure) for seq, figure in findings.get(name, ()) if seq < taken]
        elif entry.kind == "finding":
            findings.setdefault(body["finding"], []).append((entry.seq, body.get("value", "")))
        elif entry.kind == "worked-out" and "verdict" in body:
            findings.setdefault(body["working"], []).append((entry.seq, body["value"]))
    of = {name: FINDINGS[name].unit for name in findings if name in FINDINGS} | units
    figures = {
        name: (values[-1][1], of[name]) for name, values in {**findings, **readings}.items() if values and name in of
    }
    return [
        Earlier(quantity=name, value=number, unit=unit, date=date, days_ago=days_ago)
        for name, (figure, unit) in figures.items()
        if (number := _number(figure)) is not None
    ]


def _number(figure: str) -> Decimal | None:
    try:
        return Decimal(figure)
    except InvalidOperation:
        return None


def _days(earlier: str, later: str) -> int:
    """Whole days between two times in ISO 8601."""
    return (datetime.fromisoformat(later) - datetime.fromisoformat(earlier)).days
