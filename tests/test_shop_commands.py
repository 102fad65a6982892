from __future__ import annotations

import shutil
import sqlite3
from pathlib import Path
from typing import Any

import scripted_visits
from typer.testing import CliRunner

from assistant.cli.commands import build

REAL = scripted_visits.demo_job().model_copy(update={"invented": False})


def run(*arguments: str | Path, fails: bool = False) -> str:
    done = CliRunner().invoke(build(), [str(argument) for argument in arguments])
    assert (done.exit_code != 0) is fails, (done.output, done.exception)
    return " ".join(f"{done.output}{done.stderr}".split())


def visit(folder: Path, **how: Any) -> Path:
    return scripted_visits.visit(folder, job=REAL, **how)


def test_a_day_of_a_shop(tmp_path: Path) -> None:
    folder, store = tmp_path / "out", ("--store", tmp_path / "shop.sqlite")
    for n in (1, 2):
        visit(folder / str(n), utc=f"2026-01-0{n}T09:00:00.000Z", most=20)
    said = run("shop", "send", "--folder", folder, *store)
    assert "2 stored." in said
    assert "2 there already." in run("shop", "send", "--folder", folder, *store)
    assert "0 of 2 visits are to be sent" in run("shop", "pending", "--folder", folder, *store)
    visit(folder / "3", utc="2026-01-03T09:00:00.000Z", most=20)
    assert "1 of 3 visits are to be sent" in run("shop", "pending", "--folder", folder, *store)
    shutil.copytree(folder / "3", tmp_path / "stick" / "3")
    assert "1 stored." in run("shop", "receive", tmp_path / "stick" / "3", *store)
    assert "Backup:" in run("shop", "backup", tmp_path / "copy", *store)
    again = ("--store", tmp_path / "again.sqlite")
    assert "is there" in run("shop", "restore", tmp_path / "copy", *again)
    assert "0 of 3 visits" in run("shop", "pending", "--folder", folder, *again)


def test_a_record_at_the_top_hides_none_below_it(tmp_path: Path) -> None:
    folder, store = tmp_path / "out", ("--store", tmp_path / "shop.sqlite")
    for n, place in enumerate(("", "a", "b"), 1):
        visit(folder / place, utc=f"2026-01-0{n}T09:00:00.000Z", most=10)
    assert "3 stored." in run("shop", "send", "--folder", folder, *store)
    assert "0 of 3 visits are to be sent" in run("shop", "pending", "--folder", folder, *store)


def test_the_store_is_verified(tmp_path: Path) -> None:
    folder, store = tmp_path / "out", tmp_path / "shop.sqlite"
    visit(folder / "1", most=10)
    run("shop", "send", "--folder", folder, "--store", store)
    assert "1 visits, as they were sent." in run("shop", "verify", "--store", store)
    with sqlite3.connect(store) as file:
        file.execute("UPDATE visit SET unsafe = 1")
    said = run("shop", "verify", "--store", store, fails=True)
    assert "unsafe is True, by its record False" in said
    assert "1 visits; 1 not as it was recorded." in said


def test_a_broken_visit_does_not_keep_the_others_out(tmp_path: Path) -> None:
    folder, store = tmp_path / "out", ("--store", tmp_path / "shop.sqlite")
    for n in (1, 2):
        visit(folder / str(n), utc=f"2026-01-0{n}T09:00:00.000Z", most=20)
    with sqlite3.connect(folder / "1" / "visit.sqlite") as file:
        file.execute("DROP TRIGGER entry_is_never_changed")
        file.execute("UPDATE entry SET body = '{}' WHERE seq = 9")
    said = run("shop", "send", "--folder", folder, *store, fails=True)
    assert "Entry 9" in said
    assert "1 refused; 1 stored." in said


def test_a_demo_is_never_sent(tmp_path: Path) -> None:
    folder, store = tmp_path / "out", ("--store", tmp_path / "shop.sqlite")
    scripted_visits.visit(folder / "demo", most=10)
    visit(folder / "real", utc="2026-01-02T09:00:00.000Z", most=10)
    assert "1 of 2 visits are to be sent" in run("shop", "pending", "--folder", folder, "--store", _empty(tmp_path))
    said = run("shop", "send", "--folder", folder, *store)
    assert "demo/visit.sqlite: invented, and left out" in said
    assert "1 stored." in said
    assert "1 visits, as they were sent." in run("shop", "verify", *store)


def _empty(folder: Path) -> Path:
    visit(folder / "other", utc="2026-01-03T09:00:00.000Z", most=5)
    run("shop", "send", folder / "other", "--store", folder / "other.sqlite")
    return folder / "other.sqlite"
