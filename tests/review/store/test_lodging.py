"""Heads that are lodged while a visit runs: what they show afterwards, and that nobody waits for the shop."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest
import scripted_visits

from assistant.cli import lodging as lodging_module
from assistant.cli.lodging import lodging
from assistant.record.chain import to_line
from assistant.record.record import Record
from assistant.review.store.parcel import from_export
from assistant.review.store.store import Store
from assistant.review.web.shop import Search


@pytest.fixture
def children(monkeypatch: pytest.MonkeyPatch) -> list[subprocess.Popen[bytes]]:
    """The processes that were started."""
    started: list[subprocess.Popen[bytes]] = []
    real = subprocess.Popen

    def start(*arguments, **more):
        started.append(real(*arguments, **more))
        return started[-1]

    monkeypatch.setattr(lodging_module.subprocess, "Popen", start)
    return started


def test_a_visit_that_was_cut_before_it_was_sent_is_said(
    where: str, visit: Path, tmp_path: Path, children: list[subprocess.Popen[bytes]]
) -> None:
    Store.open(where, make=True).close()
    with Record.open(visit, read_only=True) as record:
        rows = list(record.rows())
        with lodging(where) as lodge:
            lodge(record)
            lodge(record)
        children[0].wait(60)
    with Store.open(where) as store:
        assert [(each.entries, each.head, each.sound_to) for each in store.lodged(rows[0].hash)] == [
            (len(rows), rows[-1].hash, 0)
        ]
        cut = tmp_path / "cut.jsonl"
        cut.write_text("".join(f"{to_line(row)}\n" for row in rows[:-30]), encoding="utf-8")
        store.receive(from_export(cut))
        (listed,) = store.visits(Search(), 0, 9)
        assert listed.problem == (
            f"The shop has its head at entry {len(rows)}, and it has {len(rows) - 30}: its end was cut off."
        )
        kept = store.visit(listed.visit)
        assert kept
        assert listed.problem in kept.problems


def test_a_shop_that_never_answers_holds_nothing_up(
    visit: Path, tmp_path: Path, children: list[subprocess.Popen[bytes]]
) -> None:
    with Record.open(visit, read_only=True) as record, lodging(str(tmp_path / "none.sqlite")) as lodge:
        (child,) = children
        os.kill(child.pid, signal.SIGSTOP)
        for _ in range(5_000):  # more than the pipe holds
            lodge(record)
        os.kill(child.pid, signal.SIGKILL)
        child.wait()
        lodge(record)  # nobody reads it any more


def test_a_shop_that_is_not_there_is_said_at_the_end(visit: Path, tmp_path: Path) -> None:
    command = [sys.executable, "-m", "assistant", "shop", "lodge", "--store", str(tmp_path / "none.sqlite")]
    done = subprocess.run(command, input=f"{'0' * 64} 7 {'1' * 64}\n", capture_output=True, text=True, check=False)
    assert "Not lodged with the shop: There is no store" in done.stderr
    assert "Traceback" not in done.stderr
    assert not (tmp_path / "none.sqlite").exists()


def test_a_visit_lodges_its_head(tmp_path: Path) -> None:
    store = str(tmp_path / "shop.sqlite")
    Store.open(store, make=True).close()
    sounds = Path(scripted_visits.__file__).parents[1] / "audio_fixtures" / "visits"
    job = tmp_path / "job.yaml"
    job.write_text((sounds / "gas-odour.job.yaml").read_text(encoding="utf-8").replace("invented: true\n", ""))
    command = [sys.executable, "-m", "assistant", "visit", "--job", str(job)]
    command += ["--from-audio", str(sounds / "gas-odour.flac"), "--folder", str(tmp_path / "out"), "--store", store]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    (path,) = (tmp_path / "out").glob("*/visit.sqlite")
    with Record.open(path, read_only=True) as record:
        rows = list(record.rows())
    for _ in range(100):  # it is lodged by a process that goes on by itself
        with Store.open(store) as opened:
            if lodged := opened.lodged(rows[0].hash):
                break
        time.sleep(0.2)
    assert lodged, done.stderr
    assert rows[lodged[-1].entries - 1].hash == lodged[-1].head
    assert lodged[-1].entries > len(rows) - 5
