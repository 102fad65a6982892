"""What a supervisor looks for: readings, days, causes, the figures of all crews, and tables to take away."""

from __future__ import annotations

import csv
import io
import re
from datetime import date
from decimal import Decimal
from pathlib import Path

import pytest
import scripted_visits
from starlette.testclient import TestClient

from assistant.files import read_job, read_yaml, top_folder
from assistant.record.record import Record
from assistant.record.story import story_of
from assistant.review.store.folder import FolderStore
from assistant.review.web import app as app_module
from assistant.review.web.app import create_app
from assistant.review.web.crews import due, in_all, weeks
from assistant.review.web.shop import Day, MeterSeen, ReadingSearch, Search, StepCount


@pytest.fixture
def shop(visits: Path) -> FolderStore:
    return FolderStore(visits)


@pytest.fixture
def page(shop: FolderStore) -> TestClient:
    return TestClient(create_app(shop), base_url="http://localhost")


def values(shop: FolderStore, **asked: object) -> list[tuple[str, str, str]]:
    found = shop.readings(ReadingSearch(**asked), 0, 99)  # type: ignore[arg-type]
    return [(each.visit, each.value, each.outcome) for each in found]


def test_flame_signal_below_a_figure_at_this_address(shop: FolderStore) -> None:
    everywhere = values(shop, quantity="flame-signal")
    assert ("road-manifold", "2.1", "pass") in everywhere
    assert ("lane-2026", "1.3", "refused") in everywhere
    asked = {"quantity": "flame-signal", "below": Decimal("1.9")}
    assert values(shop, **asked, words="example lane") == [("lane-2026", "1.4", "caution")]
    assert values(shop, **asked, words="nowhere") == []
    assert {value for _, value, _ in values(shop, quantity="flame-signal", above=asked["below"])} == {
        "2.1",
        "2.4",
        "2.8",
    }


def test_igniters_that_failed_open_this_year(shop: FolderStore) -> None:
    asked = {"quantity": "igniter-resistance", "value": "open"}
    assert values(shop, **asked, since="2026-01-01") == [("lane-2026", "open", "fail")]
    assert values(shop, **asked, until="2025-12-31") == []
    assert values(shop, **asked, crew="Lee Poe (invented)") == []
    assert values(shop, quantity="igniter-resistance", outcome="outside") == [("lane-2026", "open", "fail")]


def test_what_was_worked_out_is_found_too(shop: FolderStore) -> None:
    found = values(shop, quantity="input-rate")
    assert found
    assert all(float(value) > 1000 for _, value, _ in found)


def test_days_of_visits(shop: FolderStore) -> None:
    assert {each.visit for each in shop.visits(Search(since="2026-01-08", until="2026-01-08"), 0, 99)} == {
        each.visit for each in shop.visits(Search(), 0, 99) if each.utc.startswith("2026-01-08")
    }
    assert shop.visits(Search(until="2020-01-01"), 0, 99) == []


@pytest.fixture(scope="module")
def ground(tmp_path_factory: pytest.TempPathFactory) -> FolderStore:
    """A visit in which a bad ground is found and repaired, and a yearly check in which nothing is."""
    folder = tmp_path_factory.mktemp("ground")
    file = top_folder("audio_fixtures") / "visits" / "direct-spark"
    said = read_yaml(Path(f"{file}.say.yaml"))
    script = said["says"] | {"complaint noting": ["it goes out"]}
    scripted_visits.visit(folder / "mended", script, job=read_job(Path(f"{file}.job.yaml")))
    scripted_visits.visit(folder / "good", utc="2026-01-06T09:00:00.000Z")
    return FolderStore(folder)


def test_visits_by_their_cause(ground: FolderStore) -> None:
    with Record.open(ground._folder / "mended" / "visit.sqlite", read_only=True) as record:
        story = story_of(record.entries())
    assert story.cause
    for words in (story.cause, story.complaint):
        assert [each.visit for each in ground.visits(Search(words=words), 0, 9)] == ["mended"]


def test_what_was_unsafe_and_mended_is_counted(ground: FolderStore) -> None:
    ground.steps("crew")
    first, second = ground.days("2026-01-01")
    assert (first.visits, first.unsafe, first.dangers, first.mended) == (1, 1, 1, 1)
    assert (second.visits, second.unsafe, second.dangers, second.mended) == (1, 0, 0, 0)


def test_the_page_of_readings(page: TestClient) -> None:
    text = page.get("/readings", params={"quantity": "flame-signal", "below": "1.5", "words": "lane"}).text
    assert text.count('<th scope="row">') == 1
    assert "1.4 µA" in text
    assert '<option value="flame-signal" selected>' in text
    text = page.get("/readings", params={"quantity": "flame-signal", "below": "1,5", "since": "yesterday"}).text
    assert "below: &#39;1,5&#39; is no figure; left out." in text
    assert "since: &#39;yesterday&#39; is no day; left out." in text
    assert "No reading fits" in page.get("/readings", params={"quantity": "flame-signal", "below": "0.1"}).text
    assert page.get("/readings", params={"quantity": "x" * 5000, "below": "NaN"}).status_code == 200


def rows_of(page: TestClient, path: str, **asked: str) -> list[dict[str, str]]:
    answer = page.get(path, params={**asked, "as": "csv"})
    assert answer.headers["content-type"] == "text/csv; charset=utf-8"
    assert answer.headers["content-disposition"].startswith("attachment")
    return list(csv.DictReader(io.StringIO(answer.text)))


def test_what_is_shown_is_taken_away_as_csv(page: TestClient, monkeypatch: pytest.MonkeyPatch) -> None:
    (row,) = rows_of(page, "/readings", quantity="igniter-resistance", value="open")
    assert (row["visit"], row["value"], row["outcome"]) == ("lane-2026", "open", "fail")
    assert [row["visit"] for row in rows_of(page, "/", words="model road")] == ["road-manifold", "road-quiet"]
    monkeypatch.setattr(app_module, "PAGE_LENGTH", 1)  # not the page alone
    assert len(rows_of(page, "/")) == 7


@pytest.mark.parametrize(
    ("text", "written"), [("=1+1", "'=1+1"), ("@x", "'@x"), ("-0.03", "-0.03"), ("-x", "'-x"), ("3.5", "3.5")]
)
def test_no_cell_is_a_formula(text: str, written: str) -> None:
    assert app_module._harmless(text) == written


def test_the_time_line_is_filtered(page: TestClient) -> None:
    def shown(kind: str) -> list[str]:
        text = page.get("/visit/lane-2026", params={"show": kind}).text.split('id="timeline"')[1]
        return re.findall(
            r'<td data-of="Taken">([^<]*)</td>\s*<td data-of="Corrected">([^<]*)</td>', text
        )  # taken, corrected

    everything = shown("")
    readings, refusals, corrections, hazards = map(shown, ("readings", "refusals", "corrections", "hazards"))
    assert len(everything) > len(readings) > len(refusals) > 0
    assert all("igniter-resistance" in taken or ": " in taken for taken, _ in readings)
    assert ("", "refused: 1.3") in refusals
    assert [put_right for _, put_right in corrections] == ["taken back: igniter-voltage 160"]
    assert hazards
    assert page.get("/visit/road-quiet", params={"show": "corrections"}).text.count("There are none in this visit") == 1
    assert shown("<script>") == everything


# --- all crews


def test_the_figures_of_all_crews(page: TestClient, monkeypatch: pytest.MonkeyPatch) -> None:
    class Then(app_module.datetime):  # type: ignore[misc]
        @classmethod
        def now(cls, zone=None):
            return cls(2026, 1, 14, tzinfo=zone)

    monkeypatch.setattr(app_module, "datetime", Then)
    text = page.get("/crews").text
    told = " ".join(re.sub(r"<[^>]+>", " ", text).split())
    assert "The last 13 or 26 or 52 weeks" in told
    assert "Week of" in told
    assert re.search(r"2026-01-05 \d+ \d+ \d+ \d+", told)
    assert "None is due within 30 days." in told
    sam = re.search(r"Sam Doe \(invented\)((?: \d+)+)", told)
    assert sam
    assert sam[1].split()[0] == "1"  # its other visits are older than 13 weeks
    assert "Flame" in told.split("Questions that are asked back most")[1]
    assert "Inlet" in told.split("Steps that are skipped most")[1]
    assert page.get("/crews?weeks=52").text.count('<rect class="all"') == 52


def test_weeks_without_a_visit_are_there() -> None:
    days = [Day("2026-01-05", "a", 2, 1, 1, 0), Day("2026-01-11", "b", 1, 0, 0, 0), Day("2026-01-19", "a", 1, 1, 2, 2)]
    found = weeks(days, date(2026, 1, 5), date(2026, 1, 21))
    assert [(each.day, each.visits, each.unsafe, each.dangers, each.mended) for each in found] == [
        ("2026-01-05", 3, 1, 1, 0),
        ("2026-01-12", 0, 0, 0, 0),
        ("2026-01-19", 1, 1, 2, 2),
    ]
    assert in_all(days, "crew")["a"] == Day("", "a", 3, 2, 3, 2)


def test_counts_in_all() -> None:
    counts = [StepCount("a", "x", 3, 5, 1, 0, 2, 0), StepCount("b", "x", 1, 1, 0, 1, 0, 0)]
    (both,) = in_all(counts, "step").values()
    assert (both.step, both.asked, both.refused, both.corrected, both.skipped) == ("x", 6, 1, 1, 2)
    assert list(in_all(counts, "group")) == ["a", "b"]


def test_meters_that_are_due() -> None:
    def meter(name: str, day: str) -> MeterSeen:
        return MeterSeen(name, "", day, "", "")

    meters = [meter("none", ""), meter("late", "2026-01-09"), meter("today", "2026-01-10"), meter("far", "2026-06-01")]
    assert [(each.name, why) for each, why in due(meters, date(2026, 1, 10))] == [
        ("late", "overdue"),
        ("today", "soon"),
        ("none", "no date"),
    ]
