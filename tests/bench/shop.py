"""Prints how fast a shop's store is with many visits, on SQLite and on PostgreSQL. Run: make bench-shop

The bars: list, search, an appliance's trend and a visit's page data at most 200 ms (95 of 100) with 100,000 visits and
2,000,000 readings; sending a visit of 60 readings at most 1 s; the memory of a command that sends one, 200 MB.

Generated: for every visit its row in `visit`, 20 readings, 20 steps and 2 meters, as they are derived of real visits;
the values are invented. Whole chains (about 160 kB a visit) and recordings are there
only for `WHOLE` visits in all, since 100,000 of them would take 16 GB.
"""

from __future__ import annotations

import argparse
import os
import platform
import random
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack
from datetime import UTC, datetime, timedelta
from decimal import Decimal
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).parent.parent))

import private_postgresql
import record as record_bench
import scripted_visits
from sqlalchemy import Table, func, select, text

from assistant.record.story import story_of
from assistant.review.store import schema as s
from assistant.review.store.parcel import from_record, urgency
from assistant.review.store.store import Store
from assistant.review.web.shop import ReadingSearch, Search

READINGS = 20
WHOLE = 5
TRIES = 100
APPLIANCES, CREWS = 20_000, 60
STREETS = ("Sample", "Model", "Invented", "Example", "Pattern", "Figment", "Trial", "Mock", "Specimen", "Notional")
KINDS = ("Lane", "Street", "Road", "Way", "Court", "Close", "Hill", "Place")
QUANTITIES = tuple(scripted_visits.VALUES)


def site(appliance: int) -> str:
    return f"{appliance // 7 + 1} {STREETS[appliance % 10]} {KINDS[appliance % 8]}"


def generated(first: int, last: int) -> Iterator[dict[Table, list[tuple[Any, ...]]]]:
    """Rows by table for the visits `first` to `last`, a thousand visits at a time."""
    chance = random.Random(first)
    day = datetime(2016, 1, 4, 8, tzinfo=UTC)
    for start in range(first, last + 1, 1000):
        rows: dict[Table, list[tuple[Any, ...]]] = {t: [] for t in (s.visit, *s.DERIVED)}
        for no in range(start, min(start + 1000, last + 1)):
            appliance, crew = chance.randrange(APPLIANCES) + 1, chance.randrange(CREWS) + 1
            began = (day + timedelta(minutes=no * 50)).isoformat(timespec="milliseconds").replace("+00:00", "Z")
            unsafe, wrong = chance.random() < 0.01, chance.random() < 0.15
            state = {
                "unsafe": unsafe,
                "stopped": chance.random() < 0.005,
                "dangers": 2 * unsafe,
                "mended": int(unsafe),
                "outside": int(wrong),
                "watch": int(chance.random() < 0.2),
            }
            state |= {"not_checked": int(chance.random() < 0.1), "closed": chance.random() < 0.99}
            standing = "open" if no > last - 2000 else chance.choices(("signed off", "returned"), (99, 1))[0]
            where, procedure = site(appliance), "Hot surface igniter, natural gas, yearly check"
            search = f"{where}: gas furnace, unit {appliance} crew {crew} {procedure}".lower()
            row = (no, f"{no:064x}", f"{no:064x}", 190, appliance, crew, crew % 7 + 1, began, where, procedure)
            row += (
                state["closed"],
                unsafe,
                state["stopped"],
                state["dangers"],
                state["mended"],
                state["outside"],
                state["watch"],
                state["not_checked"],
                1,
            )
            rows[s.visit].append((*row, standing, urgency(state, standing), "", search))
            for seq in range(READINGS):
                name = QUANTITIES[seq % len(QUANTITIES)] if seq < len(QUANTITIES) else f"other-{seq}"
                number = round(chance.uniform(0, 130), 2)
                is_open = name == "igniter-resistance" and number < 2
                value, figure = ("open", None) if is_open else (f"{number:.2f}", number)
                outcome = "fail" if is_open else "pass"
                rows[s.reading].append((no, seq + 1, appliance, name, began, value, figure, "volt", outcome))
                wrong_here = chance.randrange(130)  # in about one step of eight something goes wrong
                rows[s.step].append((no, f"step-{seq}", *(int(wrong_here // 4 == n) for n in range(5))))
            for place in range(2):
                rows[s.meter].append((no, place, f"meter {place} (invented)", f"{crew}-{place}", "2026-06-01"))
        yield rows


def names() -> dict[Table, list[tuple[Any, ...]]]:
    numbers = range(1, APPLIANCES + 1)
    return {
        s.appliance: [(n, f"{site(n)}: gas furnace, unit {n}") for n in numbers],
        s.crew: [(n, f"Crew {n} (invented)") for n in range(1, CREWS + 1)],
        s.microphone: [(n, f"Headset {n} (invented)") for n in range(1, 8)],
    }


def write(store: Store, rows: dict[Table, list[tuple[Any, ...]]]) -> None:
    """By COPY, or by executemany: each database's own fast way."""
    with store._asked(write=True) as connection:
        for table, some in rows.items():
            columns = [column.name for column in table.c]
            if connection.dialect.name == "postgresql":
                cursor = connection.connection.cursor()
                with cursor.copy(f"COPY {table.name} ({', '.join(columns)}) FROM STDIN") as copy:
                    for row in some:
                        copy.write_row(row)
            elif some:
                places = ", ".join("?" for _ in columns)
                connection.connection.cursor().executemany(f"INSERT INTO {table.name} VALUES ({places})", some)


def settle(store: Store) -> None:
    """What both databases do by themselves in a quiet hour; and numbers go on after those generated."""
    with store._asked(write=True) as connection:
        if connection.dialect.name == "postgresql":
            for table in (s.appliance, s.crew, s.microphone, s.visit):
                key = next(iter(table.primary_key)).name
                connection.execute(
                    text(
                        f"SELECT setval(pg_get_serial_sequence('{table.name}', '{key}'), max({key})) FROM {table.name}"
                    )
                )
        connection.execute(text("ANALYZE"))
    if store.name.startswith("postgresql"):
        with store._engine.connect().execution_options(isolation_level="AUTOCOMMIT") as connection:
            connection.execute(text("VACUUM"))


def p50_p95(what: Callable[[], object]) -> str:
    spent = []
    for _ in range(TRIES):
        began = time.perf_counter()
        what()
        spent.append(time.perf_counter() - began)
    spent.sort()
    return f"{spent[TRIES // 2] * 1000:.1f} / {spent[round(TRIES * 0.95) - 1] * 1000:.1f} ms"


def measure(store: Store, visits: int, ids: list[str]) -> None:
    chance = random.Random(7)

    def search(words: Callable[[], str], **more: str) -> str:
        return p50_p95(lambda: store.visits(Search(words=words(), **more), 0, 51))

    def appliance() -> str:
        n = chance.randrange(APPLIANCES) + 1
        return f"{site(n)}: gas furnace, unit {n}"

    def show() -> None:
        kept = store.visit(chance.choice(ids))
        assert kept is not None
        assert not kept.problems
        story_of(kept.entries)

    def readings(**more: Any) -> str:
        return p50_p95(lambda: store.readings(ReadingSearch(**more), 0, 51))

    def readings_at() -> None:
        words = f"unit {chance.randrange(APPLIANCES) + 1} "
        store.readings(ReadingSearch(quantity="flame-signal", below=Decimal("1.5"), words=words), 0, 51)

    def crews() -> None:
        since = (latest - timedelta(weeks=13)).isoformat()
        for asked in (store.days, store.meters):
            asked(since)
        store.steps("crew", since)

    latest = datetime.fromisoformat(max(each.utc for each in store.visits(Search(), 0, 51)))
    common, rare = (lambda: chance.choice(STREETS).lower()), (lambda: f"unit {chance.randrange(APPLIANCES) + 1} ")
    lines = {
        "the list, nothing asked": search(lambda: ""),
        "search, a common word": search(common),
        "search, one appliance": search(rare),
        "search, nothing fits": search(lambda: f"zz{chance.random()}"),
        "search, unsafe and a word": search(common, outcome="unsafe"),
        "search, a crew and a word": search(common, crew=f"Crew {chance.randrange(CREWS) + 1} (invented)"),
        "readings below a figure": readings(quantity="line-voltage", below=Decimal("1.5")),
        "readings below a figure at one appliance": p50_p95(readings_at),
        "igniters that failed open, of ten years": readings(quantity="igniter-resistance", value="open"),
        "igniters that failed open, one street": readings(quantity="igniter-resistance", value="open", words="mock"),
        "all crews, 13 weeks": p50_p95(crews),
        "an appliance's trend": p50_p95(lambda: store.trends(appliance())),
        "a visit's page data": p50_p95(show),
    }
    for what, found in lines.items():
        print(f"| {visits} | {what} | {found} |", flush=True)
    began = time.perf_counter()
    store.steps("crew")
    print(f"| {visits} | steps by crew, once | {(time.perf_counter() - began) * 1000:.0f} ms |", flush=True)


def size_mb(store: Store) -> float:
    with store._asked() as connection:
        if connection.dialect.name == "postgresql":
            return float(connection.scalar(text("SELECT pg_database_size(current_database())")) or 0) / 1e6
        pages, page = (connection.scalar(text(f"PRAGMA {name}")) or 0 for name in ("page_count", "page_size"))
        return float(pages * page) / 1e6


def bench(where: str, name: str, stages: list[int], folder: Path) -> None:
    print(f"\n{name}\n\n| visits | what | half / 95 % |\n|---|---|---|", flush=True)
    with Store.open(where, make=True) as store:
        write(store, names())
        before = 0
        ids: list[str] = []
        for visits in stages:
            began = time.perf_counter()
            with store._asked() as connection:  # real visits may have been sent meanwhile
                last = connection.scalar(select(func.max(s.visit.c.no))) or 0
            for rows in generated(last + 1, last + visits - before):
                write(store, rows)
            settle(store)
            took = time.perf_counter() - began
            print(
                f"| {visits} | generated {visits - before} visits | {took:.0f} s; store {size_mb(store):.0f} MB |",
                flush=True,
            )
            before = visits
            if not ids:
                for path in sorted((folder / "whole").glob("*/visit.sqlite")):
                    parcel = from_record(path)
                    store.receive(parcel)
                    ids.append(parcel.id)
            measure(store, visits, ids)
            spent = []
            for number in range(3):
                path = record_bench.long_visit(
                    fresh(folder / f"{name}-{visits}-{number}"),
                    utc=f"2026-02-{number + 1:02d}T09:00:{visits % 59:02d}.000Z",
                )
                began = time.perf_counter()
                parcel = from_record(path)
                store.receive(parcel)
                spent.append(time.perf_counter() - began)
            peak = memory_of_sending(path, where)
            readings = sum(row.kind == "reading" for row in parcel.rows)
            print(
                f"| {visits} | sending {readings} readings, {len(parcel.rows)} entries, {len(parcel.recordings)} "
                f"recordings | {sorted(spent)[1]:.2f} s, worst of 3 {max(spent):.2f} s; "
                f"the command's memory at most {peak} MB |",
                flush=True,
            )
        with store._asked() as connection:
            counted = {t.name: connection.scalar(select(func.count()).select_from(t)) for t in s.metadata.sorted_tables}
        print(f"\nIn the store: {', '.join(f'{count} {table}' for table, count in counted.items())}.", flush=True)


def memory_of_sending(path: Path, where: str) -> int:
    """The most memory that the command takes which sends a visit, in MB."""
    program = (
        "import sys\nfrom assistant.cli.commands import build\n"
        "try:\n    build()(sys.argv[1:])\nfinally:\n    status = open('/proc/self/status').read()\n"
        "    print('peak', int(status.split('VmHWM:')[1].split()[0]) // 1000)\n"
    )
    command = [sys.executable, "-c", program, "shop", "send", str(path), "--store", where]
    done = subprocess.run(command, capture_output=True, text=True, check=True)
    return int(done.stdout.split("peak ")[1])


def fresh(folder: Path) -> Path:
    folder.mkdir(parents=True)
    return folder


def main() -> None:
    options = argparse.ArgumentParser()
    options.add_argument("--visits", type=int, nargs="*", default=[1_000, 100_000])
    options.add_argument("--on", nargs="*", choices=("sqlite", "postgresql"), default=["sqlite", "postgresql"])
    asked = options.parse_args()
    print(
        f"{datetime.now(UTC):%Y-%m-%d %H:%M} UTC, {platform.machine()}, {os.cpu_count()} cores, load {os.getloadavg()}"
    )
    with tempfile.TemporaryDirectory(dir=os.environ.get("BENCH_FOLDER")) as name, ExitStack() as stack:
        folder = Path(name)
        for n in range(WHOLE):  # each has a time of its own, so that it is another visit
            utc = f"2026-01-{n + 1:02d}T09:00:00.000Z"
            scripted_visits.visit(folder / "whole" / str(n), scripted_visits.EVENTFUL, utc=utc)
        if "sqlite" in asked.on:
            bench(str(folder / "shop.sqlite"), "SQLite", asked.visits, folder)
        if "postgresql" in asked.on:
            cluster = stack.enter_context(private_postgresql.cluster())
            bench(cluster.database(), "PostgreSQL", asked.visits, folder)


if __name__ == "__main__":
    main()
