"""Records of old open, verify, replay and make a report as they were written, whatever is decided today.

Nothing here looks at what the dialogue would decide now; tests/test_corpus.py does that. See tests/corpus/v1/README.md.
"""

from __future__ import annotations

import csv
import gzip
import re
import sqlite3
from collections.abc import Sequence
from contextlib import nullcontext
from pathlib import Path
from types import SimpleNamespace

import pytest
from doubles import ScriptedVoice, TestClock
from scripted_ears import Person, open_visit

from assistant.dialogue.effects import Effect
from assistant.dialogue.events import Event
from assistant.dialogue.machine import Dialogue
from assistant.dialogue.state import State
from assistant.errors import Problem
from assistant.places import top_folder
from assistant.record.again import again
from assistant.record.chain import (
    GENESIS,
    Entry,
    canonical_json,
    chained,
    from_line,
    to_line,
    verify_entries,
    verify_head,
)
from assistant.record.fold import turns
from assistant.record.folder import unfinished
from assistant.record.record import Record, seal_of
from assistant.record.story import printed, story_of
from assistant.review.export import readings_csv, to_jsonl
from assistant.review.replay import Row as Shown
from assistant.review.replay import rows
from assistant.review.report import words
from assistant.review.report.page import of_record
from assistant.review.timeline import moments
from assistant.session import session
from assistant.session.visit import IN_PLACE

V1 = Path(__file__).parent / "corpus" / "v1"
NAMES = (
    "direct-spark",
    "eventful",
    "gas-odour",
    "hot-surface",
    "intermittent-pilot",
    "interrupted",
    "standing-pilot",
)
UNFINISHED = ("eventful", "gas-odour", "interrupted")


def rows_of(name: str) -> list[Entry]:
    """The entries of a record, those of its seal too, as they are in its export."""
    with gzip.open(V1 / f"{name}.jsonl.gz", "rt", encoding="utf-8") as lines:
        return [from_line(line.rstrip("\n")) for line in lines]


def write(path: Path, entries: Sequence[Entry]) -> Path:
    """Puts entries back in a file such as they were kept in then, as they are; without its seal and recordings."""
    with sqlite3.connect(path) as db:
        db.executescript((V1 / "schema.sql").read_text(encoding="utf-8"))
        own = [row for row in entries if row.kind != "sealed"]
        db.executemany("INSERT INTO entry VALUES (?, ?, ?, ?, ?, ?, ?)", own)
    db.close()
    return path


@pytest.fixture(params=NAMES)
def old(request, tmp_path) -> Path:
    return write(tmp_path / "visit.sqlite", rows_of(request.param))


def bodies(path: Path, kind: str) -> list[dict]:
    with Record.open(path, read_only=True) as record:
        return [entry.body for entry in record.entries() if entry.kind == kind]


def of_another_version(entries: Sequence[Entry]) -> list[Entry]:
    """The same record, if its rules had been written with keys that this program does not know."""
    changed: list[Entry] = []
    for row in entries:
        body = row.body
        if row.kind == "visit":
            procedure = body["procedure"]
            rules = [body["job"], procedure, *procedure["steps"], *procedure["repairs"].values()]
            rules += [rule for name in ("quantities", "limits", "hazards") for rule in body[name].values()]
        else:
            rules = [body["limit"]] if body.get("limit") else []
        for rule in rules:
            rule["of_another_version"] = "unknown here"
        last = (changed[-1].seq, changed[-1].hash) if changed else (0, GENESIS)
        changed += chained(last, [(row.kind, canonical_json(body))], row.utc, row.monotonic_s)
    return changed


def test_the_records_are_all_there_and_small():
    files = {path.name.removesuffix(".jsonl.gz"): path for path in V1.glob("*.gz")}
    assert sorted(files) == sorted(NAMES)
    assert all(path.stat().st_size < 300_000 for path in files.values())


@pytest.mark.parametrize("name", NAMES)
def test_its_chain_is_sound_to_the_end_of_its_seal(name):
    entries = rows_of(name)
    assert [*verify_entries(entries), *verify_head(entries, entries[-1].hash)] == []
    assert (entries[-1].kind == "sealed") == (name not in UNFINISHED)
    with gzip.open(V1 / f"{name}.jsonl.gz", "rt", encoding="utf-8") as lines:
        assert [to_line(row) for row in entries] == lines.read().splitlines()


def test_a_change_in_it_is_found():
    entries = rows_of("interrupted")
    place = next(at for at, row in enumerate(entries) if row.kind == "reading")
    entries[place] = entries[place]._replace(text=entries[place].text.replace('"verdict":"pass"', '"verdict":"fail"'))
    assert verify_entries(entries) == [f"Entry {place + 1} is not what was recorded: its hash does not match."]


def test_it_opens_and_verifies(old):
    with Record.open(old, read_only=True) as record:
        assert record.verify() == []
        assert len(list(record.entries())) == sum(1 for _ in record.rows()) > 50


def without_the_sounds(problems: Sequence[str]) -> list[str]:
    """What a check finds, but that the recordings are missing: the corpus was kept without them."""
    return [each for each in problems if not re.fullmatch(r"The recording [\w.]+ is missing\.", each)]


def test_its_report_has_what_was_read_and_decided_then(old):
    readings = bodies(old, "reading")
    with Record.open(old, read_only=True) as record:
        story = story_of(record.entries())
        html, problems = of_record(record)
        assert record.head in html
    assert without_the_sounds(problems) == []
    then = [(b["quantity"], b["value"], b["unit"], b["verdict"], b["reason"]) for b in readings]
    assert [(r.quantity, r.value, r.unit, r.verdict, r.reason) for r in story.readings] == then
    for reading in story.readings:
        assert words.reading(reading) in html
        assert words.VERDICTS[reading.verdict] in html
    answered = [body["step"] for kind in ("answer", "done") for body in bodies(old, kind)]
    assert sorted(answer.step for answer in story.answers) == sorted(answered)
    (visit,) = bodies(old, "visit")
    assert story.rules.job.site == visit["job"]["site"]
    assert visit["job"]["site"] in html
    titles = {step["id"]: printed(step["title"]) for step in visit["procedure"]["steps"]}
    assert [(r.step, story.title(r.step)) for r in story.readings] == [(b["step"], titles[b["step"]]) for b in readings]


def shown_then(path: Path) -> list[str]:
    """What a replay has to show of what was decided, in words that are here and in the record only."""
    shown = []
    with Record.open(path, read_only=True) as record:
        for entry in record.entries():
            body = entry.body
            if entry.kind == "reading":
                unit = "" if body["unit"] == "dimensionless" else f" {body['unit']}"
                shown.append(f"{body['quantity']} {body['value']}{unit}: {body['verdict']}")
            elif entry.kind == "answer":
                shown.append(f"{body['step']}: {body['answer']}")
            elif entry.kind == "skipped":
                shown.append(f"skipped {body['step']}: {body['reason']}")
            elif entry.kind == "emergency":
                shown.append(f"EMERGENCY: {body['why']}")
    return shown


def check_replay(path: Path) -> list[Shown]:
    """A replay, which shows what was heard, decided and voiced then, in order, and nothing that was not."""
    with Record.open(path, read_only=True) as record:
        replayed = list(rows(record))
    said = [body["heard"]["text"] for body in bodies(path, "said")]
    assert [row.heard for row in replayed if row.heard and not row.heard.startswith("(")] == [t for t in said if t]
    played = [
        each["text"] for kind in ("voiced", "said") for body in bodies(path, kind) for each in body.get("played", ())
    ]
    assert sorted(" ".join(row.answer for row in replayed).split()) == sorted(" ".join(played).split())
    decided = "; ".join(row.decided for row in replayed if row.decided)
    at = 0
    for text in shown_then(path):
        at = decided.index(text, at) + len(text)
    assert decided.count(": pass") == sum(text.endswith(": pass") for text in shown_then(path)) + findings(path, "pass")
    return replayed


def findings(path: Path, verdict: str) -> int:
    found = [*bodies(path, "finding"), *bodies(path, "worked-out")]
    return sum(body.get("verdict") == verdict for body in found)


def test_its_replay_shows_what_was_decided_then(old):
    assert len(shown_then(old)) > 4
    check_replay(old)


def test_its_replay_shows_what_was_decided_then_where_the_dialogue_decides_otherwise(old, monkeypatch):
    """The worst case: today's dialogue would decide nothing at all."""
    monkeypatch.setattr(Dialogue, "step", lambda self, state, event: (state, []))
    assert any(row.same is False for row in check_replay(old))


def test_its_time_line_shows_what_was_decided_then(old):
    with Record.open(old, read_only=True) as record:
        taken = "; ".join(text for moment in moments(record.entries()) for text in moment.taken)
    assert [text for text in shown_then(old) if text not in taken] == []


@pytest.mark.parametrize("name", NAMES)
def test_rules_with_keys_that_are_not_known_here_replay_and_report(name, tmp_path):
    """A key that a later version has dropped from its rules is in the records of before."""
    path = write(tmp_path / "visit.sqlite", of_another_version(rows_of(name)))
    assert {row.same for row in check_replay(path)} == {None}
    with Record.open(path, read_only=True) as record:
        assert without_the_sounds(of_record(record)[1]) == []
        assert len(story_of(record.entries()).readings) == len(bodies(path, "reading")) > 0


def without_titles(entries: Sequence[Entry]) -> list[Entry]:
    """The same record, if its rules lacked something that this program cannot do without."""
    body = entries[0].body
    for step in body["procedure"]["steps"]:
        del step["title"]
    changed = list(chained((0, GENESIS), [("visit", canonical_json(body))], entries[0].utc, entries[0].monotonic_s))
    for row in entries[1:]:
        changed += chained((changed[-1].seq, changed[-1].hash), [(row.kind, row.text)], row.utc, row.monotonic_s)
    return changed


def deaf(self: Dialogue, state: State, event: Event) -> tuple[State, list[Effect]]:
    return state, []


def lost(self: Dialogue, state: State, event: Event) -> tuple[State, list[Effect]]:
    raise KeyError("a step that is not there any more")


@pytest.mark.parametrize("name", UNFINISHED)
def test_what_is_begun_in_place_of_an_unfinished_one_that_cannot_go_on(name, tmp_path, monkeypatch):
    paths = {}
    for of, entries in (
        ("as it was", rows_of(name)),
        ("does not know", of_another_version(rows_of(name))),
        ("cannot be read", without_titles(rows_of(name))),
    ):
        (tmp_path / of).mkdir()
        paths[of] = write(tmp_path / of / "visit.sqlite", entries)
    assert again(paths.pop("as it was")) is None
    for of, path in paths.items():
        job, old = again(path)
        with Record.open(path, read_only=True) as record:
            first = next(record.entries())
        assert (old.visit, old.began) == (first.hash, first.utc)
        assert of in old.why
        assert job.site == first.body["job"]["site"]
    for step, why in ((deaf, "otherwise"), (lost, "nowhere")):
        monkeypatch.setattr(Dialogue, "step", step)
        assert why in again(tmp_path / "as it was" / "visit.sqlite")[1].why
    assert {row.same for row in check_replay(tmp_path / "as it was" / "visit.sqlite")} == {None}


@pytest.mark.parametrize("name", NAMES)
def test_one_whose_rules_cannot_be_read_is_verified_exported_and_replayed_as_it_was(name, tmp_path):
    entries = without_titles([row for row in rows_of(name) if row.kind != "sealed"])
    path = write(tmp_path / "visit.sqlite", entries)
    with Record.open(path, read_only=True) as record:
        assert record.verify() == []
        assert to_jsonl(record.rows()).splitlines() == [to_line(row) for row in entries]
        story = story_of(record.entries())
        with pytest.raises(Problem, match="cannot be read here"):
            of_record(record)
    table = list(csv.DictReader(readings_csv(story).splitlines()))
    assert [(row["quantity"], row["value"], row["verdict"]) for row in table] == [
        (body["quantity"], body["value"], body["verdict"]) for body in bodies(path, "reading")
    ]
    assert {row.same for row in check_replay(path)} == {None}


def test_resuming_one_that_cannot_go_on_begins_a_visit_of_its_job_that_names_it_and_says_so(tmp_path, monkeypatch):
    (tmp_path / "old").mkdir()
    old = write(tmp_path / "old" / "visit.sqlite", of_another_version(rows_of("gas-odour")))
    before = old.read_bytes()
    with Record.open(old, read_only=True) as record:
        first = next(record.rows())
    assert unfinished(tmp_path) == old
    voice = ScriptedVoice()
    monkeypatch.setattr(session, "Voice", lambda *_: nullcontext(voice))
    told = []
    screen = SimpleNamespace(tell=lambda text, kind="fact": told.append(text))
    screen.turn = screen.over = lambda *_: None
    recording = top_folder("audio_fixtures") / "visits" / "gas-odour.flac"
    session.work(old, tmp_path, [recording], "bundled", screen)
    new = unfinished(tmp_path)
    assert new != old
    assert old.read_bytes() == before
    assert f"The visit {old} cannot go on" in told[0]
    with Record.open(new, read_only=True) as record:
        entries = list(record.entries())
        story = story_of(entries)
        assert "Begun in place of the visit of" in of_record(record)[0]
        assert all(turn.same for turn in turns(record))
    assert story.setting.in_place_of.visit == first.hash
    assert story.rules.job.site == first.body["job"]["site"]
    assert entries[1].body["resumed"] is False
    said = [played["text"] for entry in entries if entry.kind == "voiced" for played in entry.body["played"]]
    assert tuple(said[:3]) == IN_PLACE
    opened = next(entry.body["step"] for entry in entries if entry.body.get("step"))
    assert opened == story.procedure.steps[0].id
    new.unlink()
    assert unfinished(tmp_path) == old


@pytest.mark.parametrize("name", UNFINISHED)
def test_an_unfinished_one_is_gone_on_with(name, tmp_path):
    """By the rules in its record, from where it was left: nothing of before is changed or asked from the beginning."""
    before = rows_of(name)
    path = write(tmp_path / "visit.sqlite", before)
    clock = TestClock("2027-01-05T09:00:00.000Z")
    visit = open_visit(path, Person({"odour": ["no"]}, most=12), clock=clock)
    assert visit.resumed
    step = visit.state.step
    steps = [entry["id"] for entry in before[0].body["procedure"]["steps"]]
    assert step in steps
    visit.run()
    with visit.record as record:
        after = list(record.rows())
        assert after[: len(before)] == before
        assert record.verify() == []
    new = after[len(before) :]
    assert (new[0].kind, new[0].body["resumed"]) == ("opened", True)
    assert sum(entry.kind == "said" for entry in new) == 12
    assert any(entry.kind == "voiced" for entry in new)
    assert not seal_of(path).exists()
    with Record.open(path, read_only=True) as record:
        assert len(story_of(record.entries()).readings) >= sum(row.kind == "reading" for row in before)
    check_replay(path)
