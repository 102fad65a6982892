"""Prints how fast a record is written, replayed and reported. Run: make bench-record

The bars: a commit at most 10 ms (99 of 100), replay at least 1,000 times real time, the report of a visit of 60
readings at most 2 s.
"""

from __future__ import annotations

import os
import platform
import sys
import tempfile
import time
from datetime import UTC, datetime
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent.parent))

from doubles import TestClock
from scripted_ears import Person, open_visit
from scripted_visits import EVENTFUL

from assistant.record.fold import turns
from assistant.record.record import Record, audio_of
from assistant.record.story import story_of
from assistant.review.report import page

COMMITS = 3000
READINGS = 60


def commits(folder: Path) -> list[float]:
    """Seconds of each of `COMMITS` commits of a typical turn: what was said, a reading, what changed by it."""
    made = folder / "like.sqlite"
    visit = open_visit(made, Person(EVENTFUL, most=40), clock=TestClock())
    visit.run()
    bodies = {entry.kind: entry.body for entry in visit.record.entries()}
    visit.record.close()
    turn = [(kind, bodies[kind]) for kind in ("said", "reading", "site")]
    spent = []
    with Record.create(folder / "commits.sqlite") as record:
        for _ in range(COMMITS):
            began = time.perf_counter()
            record.append(turn)
            spent.append(time.perf_counter() - began)
    return sorted(spent)


def long_visit(folder: Path, utc: str = "2026-01-05T09:00:00.000Z") -> Path:
    """A scripted visit with at least `READINGS` readings: the technician goes back to measure again."""
    path = folder / "long.sqlite"
    person = Person(EVENTFUL)
    last = {"step": ""}

    def say() -> str | float | None:
        state = visit.state
        again = state.path and visit.dialogue.rules.procedure.step(state.path[-1]).quantity
        enough = len(state.readings) >= READINGS
        if not enough and again and state.phase.value == "asking" and last["step"] != state.step:
            last["step"] = state.step
            return "go back"
        if not enough and len(state.readings) > READINGS // 2 and again and state.phase.value == "asking":
            return "go back"
        return person()

    visit = open_visit(path, say, clock=TestClock(utc))
    person.visit = visit
    visit.run()
    visit.record.close()
    return path


def main() -> None:
    """Prints the figures."""
    print(f"{datetime.now(UTC):%Y-%m-%d}, {platform.machine()}, {os.cpu_count()} cores, {platform.platform()}")
    with tempfile.TemporaryDirectory(dir=os.environ.get("BENCH_FOLDER")) as name:
        folder = Path(name)
        spent = commits(folder)
        p50, p99 = (spent[round(len(spent) * part) - 1] * 1000 for part in (0.5, 0.99))
        print(
            f"commit of a turn, {COMMITS} times: half {p50:.2f} ms, 99 % {p99:.2f} ms, worst {spent[-1] * 1000:.1f} ms"
        )
        path = long_visit(folder)
        with Record.open(path, read_only=True) as record:
            entries = list(record.entries())
            readings = sum(entry.kind == "reading" for entry in entries)
            lasted = (datetime.fromisoformat(entries[-1].utc) - datetime.fromisoformat(entries[0].utc)).total_seconds()
            began = time.perf_counter()
            same = [turn.same for turn in turns(record)]
            took = time.perf_counter() - began
            print(
                f"replay of {readings} readings, {len(same)} turns, {lasted:.0f} s of visit: {took:.3f} s, "
                f"{lasted / took:.0f} times real time; {same.count(False)} turns decided otherwise"
            )
            began = time.perf_counter()
            made = page.html(story_of(record.entries()), audio_of(path), record.verify())
            took = time.perf_counter() - began
            print(f"report of the same visit, HTML with its recordings: {took:.2f} s, {len(made) / 1e6:.1f} MB")


if __name__ == "__main__":
    main()
