"""What the gate closed, what was taken back and what was decided against it, in all that shows a record."""

from __future__ import annotations

import re
from dataclasses import dataclass
from functools import cache
from html import unescape
from pathlib import Path

import pytest
import scripted_visits
from starlette.testclient import TestClient

from assistant.record.chain import Entry
from assistant.record.earlier import values_of
from assistant.record.record import Record
from assistant.record.story import Story, story_of
from assistant.review.replay import rows
from assistant.review.report.page import of_record
from assistant.review.store.folder import FolderStore
from assistant.review.store.parcel import derive
from assistant.review.web.app import create_app
from assistant.trade.history import Earlier

VISITS = {
    # A check is taken back and answered anew; carbon monoxide is found, mended and measured again before all else; a
    # safety check is skipped, and the appliance is left on all the same.
    "mended": {
        "ground-path": ["skip", "skip"],
        "neutral": ["correction", "no", "skip"],
        "stand-clear barred": ["repair polarity repaired"],
        "monoxide": ["six hundred parts"],
        "isolate-off": ["repair burners cleaned"],
    },
    # What forbids lighting is not mended.
    "barred": {"polarity": ["no"]},
    # Readings that findings rest on are taken back, and not read again.
    "taken back": {"oxygen": ["correction", "skip"], "monoxide-steady": ["correction", "skip"]},
}


@dataclass(frozen=True)
class Shown:
    """A visit in all that shows it, as text without its marks."""

    entries: list[Entry]
    story: Story
    replay: str
    report: str
    page: str


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("visits")


@pytest.fixture(scope="module")
def shown(folder: Path):
    @cache
    def show(name: str) -> Shown:
        path = scripted_visits.visit(folder / name, VISITS[name], most=400)
        with Record.open(path, read_only=True) as record:
            entries = list(record.entries())
            replayed = [row for row in rows(record) if row.decided]
            assert all(row.same for row in replayed)
            report, problems = of_record(record)
        assert problems == []
        page = TestClient(create_app(FolderStore(folder)), base_url="http://localhost").get(f"/visit/{name}")
        assert page.status_code == 200
        replay = "\n".join(row.decided for row in replayed)
        story = story_of(entries)
        assert story.closed
        return Shown(entries, story, replay, plain(report), plain(page.text))

    return show


def plain(html: str) -> str:
    text = re.sub(r"<[^>]+>", " ", re.sub(r"<style>.*?</style>", "", html, flags=re.S))
    return " ".join(unescape(text).split())


def bodies(shown: Shown, kind: str) -> list[dict]:
    return [entry.body for entry in shown.entries if entry.kind == kind]


def test_what_forbade_lighting_is_in_all_of_them(shown):
    barred = shown("barred")
    (body,) = bodies(barred, "barred")
    text = f"No lighting, at standing clear: {body['because']}."
    assert barred.story.barred == [text]
    assert text in barred.report
    assert f"barred {text}" in barred.page
    assert f"BARRED: no lighting, because of {body['because']}" in barred.replay
    assert "shut down" in barred.replay
    assert {"barred", "shut-down"} <= {each.kind for each in barred.story.happenings}
    assert "Shut down, at standing clear." in barred.report
    assert (barred.story.gas, barred.story.power, barred.story.decision.stays_on) == ("shut", "dead", False)
    assert derive(barred.entries).visit["unsafe"]


def test_an_answer_that_was_taken_back_stands_no_longer(shown):
    mended = shown("mended")
    answers = [(a.answer, a.seq in mended.story.taken_back) for a in mended.story.answers if a.step == "polarity"]
    assert answers[:2] == [("yes", True), ("no", False)]
    assert ("yes", False, "no") in [
        (c.before, c.kind == "refused", mended.story.instead.get(c.seq))
        for c in mended.story.corrections
        if c.step == "polarity"
    ]
    assert "taken back: polarity yes" in mended.replay
    assert "Polarity: yes was taken back, then no was taken." in mended.report
    assert "Polarity: yes (taken back)" in mended.report
    assert "taken back Polarity: yes, then no." in mended.page
    assert derive(mended.entries).visit["corrections"] == len(mended.story.corrections)


def test_what_a_repair_wants_first_is_said_to_be_put_off(shown):
    mended = shown("mended")
    (body,) = bodies(mended, "put-off")
    assert body == {"step": "flame", "for": "oxygen"}
    assert "put off: flame, for oxygen" in mended.replay
    text = "Put off until flue oxygen is measured again: flame signal."
    assert text in [each.text for each in mended.story.happenings if each.kind == "put-off"]
    assert text in mended.report
    assert "put off: flame, for oxygen" in mended.page
    assert [repair.say for repair in mended.story.repairs] == ["polarity repaired", "burners cleaned"]


def test_that_it_was_left_on_against_what_was_found_is_told_with_it(shown):
    mended = shown("mended")
    (body,) = bodies(mended, "decision")
    assert "ground path was not checked" in body["against"]
    assert mended.story.decision.against == tuple(body["against"])
    assert "The technician decided that it stays on, against what the notice says" in mended.report
    assert "left on against Ground path was not checked." in mended.page
    assert "stays on: yes, against: ground path was not checked" in mended.replay
    assert f"by the technician's own decision, against: {'; '.join(body['against'])}." in mended.report  # in the notice


def test_findings_go_with_the_readings_that_they_rested_on(shown):
    taken_back = shown("taken back")
    assert [body["findings"] for body in bodies(taken_back, "correction")] == [["temperature-rise"], ["co-air-free"]]
    names = {finding.name for finding in taken_back.story.findings}
    assert not {"temperature-rise", "co-air-free"} & names
    assert "input-rate" in names
    reasons = {each.step: each.reason for each in taken_back.story.not_checked}
    for step, title in (("supply-air", "Supply air temperature"), ("monoxide", "Flue CO")):
        assert reasons[step] == "taken back and not read again"
        assert f"{title}: taken back and not read again." in taken_back.report
        assert f"{title}: taken back and not read again" in taken_back.page
    assert "taken back: supply-temperature 120, with it temperature-rise" in taken_back.replay
    for name in ("temperature rise", "CO air free"):
        assert name.lower() not in taken_back.report.lower()
        assert name.lower() in shown("mended").report.lower()
    found = {row["quantity"] for row in derive(taken_back.entries).reading}
    assert names <= found
    assert not {"temperature-rise", "co-air-free"} & found
    summary = bodies(taken_back, "summary")[0]
    assert not {"temperature rise", "C O air free"} & {entry["text"].split(",")[0] for entry in summary["found"]}
    assert "flue C O was not checked" in summary["against"]


def test_a_later_visit_hears_nothing_of_what_was_taken_back(shown):
    def values(name: str) -> dict[str, Earlier]:
        return {each.quantity: each for each in values_of(shown(name).story, "2026-01-05", 365)}

    assert {"temperature-rise", "supply-temperature", "co-air-free", "flue-co"} <= values("mended").keys()
    left = values("taken back").keys()
    assert not {"temperature-rise", "supply-temperature", "co-air-free", "flue-co"} & left
    assert {"return-temperature", "input-rate"} <= left


def test_a_repair_that_a_step_made_has_no_words_and_power_and_gas_are_still_known(tmp_path):
    path = scripted_visits.visit(tmp_path, {"igniter-cold": ["open"], "igniter-cold-left": [""]}, most=16)
    with Record.open(path, read_only=True) as record:
        story = story_of(record.entries())
        report, _ = of_record(record)
        assert "repair: igniter replaced" in " ".join(row.decided for row in rows(record))
    (repair,) = story.repairs
    assert (repair.say, story.recordings.get(repair.seq)) == ("igniter replaced", None)
    assert (story.power, story.gas) == ("dead", "shut")
    assert "Igniter replaced." in plain(report)
