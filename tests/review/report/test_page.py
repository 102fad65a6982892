"""The report as people get it."""

from __future__ import annotations

import re
import struct
import subprocess
import sys
import time
from decimal import Decimal
from html.parser import HTMLParser
from pathlib import Path

import numpy as np
import pytest
import scripted_visits

from assistant.errors import Problem
from assistant.places import write_whole
from assistant.record.record import Record
from assistant.record.story import printed, story_of
from assistant.review.report import page, words
from assistant.review.report.page import of_record
from assistant.trade.computations import FINDINGS

ASSISTANT = [sys.executable, "-m", "assistant"]
VOID = {"meta", "link", "br", "img", "input", "hr", "col"}


class Shape(HTMLParser):
    """Reads a page: its text, what it would load, and whether every element is closed."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.open: list[str] = []
        self.text: list[str] = []
        self.loads: list[str] = []
        self.ids: list[str] = []
        self.feed(text)
        self.close()

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        if tag not in VOID:
            self.open.append(tag)
        for key, value in attrs:
            if key in ("src", "href", "data", "poster", "action"):
                self.loads.append(value or "")
            if key == "id":
                self.ids.append(value or "")
            assert not key.startswith("on"), "a handler in the page"

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.handle_starttag(tag, attrs)
        if tag not in VOID:
            self.open.pop()

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag

    def handle_data(self, data: str) -> None:
        if not self.open or self.open[-1] != "style":
            self.text.append(data)

    @property
    def words(self) -> str:
        return " ".join(" ".join(self.text).split())


@pytest.fixture(scope="module")
def eventful(tmp_path_factory) -> Path:
    return scripted_visits.visit(tmp_path_factory.mktemp("eventful"), scripted_visits.EVENTFUL)


@pytest.fixture(scope="module")
def made(eventful) -> str:
    with Record.open(eventful, read_only=True) as record:
        return of_record(record)[0]


def test_the_page_is_whole_and_loads_nothing_from_elsewhere(made):
    shape = Shape(made)
    assert shape.open == []
    assert len(shape.ids) == len(set(shape.ids))
    assert all(load.startswith("data:audio/flac;base64,") for load in shape.loads)
    assert "<script" not in made


def test_every_reading_is_there_with_its_limit_source_verdict_and_uncertainty(made):
    told = Shape(made).words
    assert "1.4 µA ± 0.051 µA (k = 2)" in told
    assert "at least 1.0 µA; watch below 1.5 generic limit: common practice; makers' manuals differ" in told
    assert "160 V" in told
    assert "taken back" in told
    assert "62 ohm judged as 61.7 ohm" in told
    assert "122.4 V ± 1.8 V" in told


def test_the_first_page_is_plain(made):
    first = made.split('class="detail"')[0]
    told = re.sub(r"<style>.*?</style>|<[^>]+>", " ", first, flags=re.S)
    told = " ".join(told.split())
    assert "Invented: no such site" in told
    assert "How well the control sees the flame (flame signal): 1.4 µA. Watch below 1.5 µA." in told
    assert "Inlet pressure at full fire: no access." in told
    assert "Gas on. Power on." in told
    assert "It gives no permission and signs nothing." in told


def test_the_recordings_are_in_it_once_they_are_what_was_recorded(eventful, made):
    assert made.count("data:audio/flac;base64,") >= 20
    audio = eventful.with_suffix(".audio")
    with Record.open(eventful, read_only=True) as record:
        story = story_of(record.entries())
    taken = story.recordings[story.latest("flame-signal").seq]
    file = audio / taken.audio
    before = file.read_bytes()
    try:
        file.write_bytes(before + b"x")
        changed = page.html(story, audio)
        assert f"Recording {taken.audio} is not the one that was recorded" in changed
        file.unlink()
        assert f"Recording {taken.audio} is not kept" in page.html(story, audio)
    finally:
        file.write_bytes(before)


def test_recordings_over_the_bound_are_named_only(eventful, monkeypatch):
    monkeypatch.setattr(page, "AUDIO_LIMIT_BYTES", 10_000)
    with Record.open(eventful, read_only=True) as record:
        made = of_record(record)[0]
    assert 0 < made.count("data:audio/flac") < 10
    assert "it lies beside the record" in made
    assert len(made) < 200_000


def test_what_people_wrote_is_escaped(tmp_path):
    job = scripted_visits.demo_job().model_copy(update={"site": "<script>alert(1)</script> & Sons"})
    with Record.open(scripted_visits.visit(tmp_path, job=job, most=5), read_only=True) as record:
        made = of_record(record)[0]
    assert "<script>" not in made
    assert "&lt;script&gt;alert(1)&lt;/script&gt; &amp; Sons" in made
    assert "was not finished" in made


def test_an_appliance_that_is_not_invented_is_not_called_so(tmp_path):
    job = scripted_visits.demo_job().model_copy(update={"invented": False})
    with Record.open(scripted_visits.visit(tmp_path, job=job, most=5), read_only=True) as record:
        assert "Invented:" not in of_record(record)[0]


def test_a_broken_chain_is_said_on_the_first_page(eventful):
    with Record.open(eventful, read_only=True) as record:
        made = page.html(story_of(record.entries()), None, ["Entry 7 is missing."])
    assert "not as it was recorded. Entry 7 is missing." in Shape(made).words


def test_a_failed_reading_and_what_a_check_found_come_first(tmp_path):
    script = {"manifold": ["four point two inches"], "look": ["yes"]}
    with Record.open(scripted_visits.visit(tmp_path, script), read_only=True) as record:
        made = of_record(record)[0]
    told = Shape(made).words
    assert "Outside the limit, or not as it should be" in told
    assert "Gas pressure at the burner (manifold pressure): 4.2 inH2O. Outside the upper limit of 3.8 inH2O." in told
    assert "Soot, rust, scorch or vent damage seen (first look)." in told


def test_the_notice_the_decision_and_who_was_told_come_first(tmp_path):
    with Record.open(
        scripted_visits.visit(tmp_path, {"manifold": ["four point two inches"]}), read_only=True
    ) as record:
        made = of_record(record)[0]
    told = Shape(made).words
    assert told.index("Notice of a gas appliance that is unsafe") < told.index("What was found")
    title = "Notice of a gas appliance that is unsafe, not checked or shut off"
    assert f"{title} Date: 2026-01-05 What is wrong: Manifold pressure, fail." in told
    assert "Told: a name, kept as sound; in letters: ____" in told
    assert "pat moe" not in told
    assert "The technician decided that it stays on" in told


def test_the_flame_signal_over_visits_is_drawn_where_there_is_an_earlier_one(tmp_path, made):
    assert "Flame signal over visits" not in made
    job = scripted_visits.demo_job().model_copy(update={"previous": {"flame-signal": Decimal("2.4")}})
    with Record.open(scripted_visits.visit(tmp_path, job=job), read_only=True) as record:
        drawn = of_record(record)[0]
    assert "Flame signal over visits. last visit: 2.4 µA, 2026-01-05 as found: 2.1 µA" in drawn


def test_earlier_visits_that_lie_beside_this_one_are_in_the_drawing(tmp_path):
    for year, flame in (("2024", "two point eight"), ("2025", "two point four")):
        script = {"flame": [f"{flame} microamps"]}
        scripted_visits.visit(tmp_path / year, script, utc=f"{year}-01-05T09:00:00.000Z")
    elsewhere = scripted_visits.demo_job().model_copy(update={"site": "another"})
    scripted_visits.visit(tmp_path / "another", {}, elsewhere, utc="2025-02-05T09:00:00.000Z")
    with Record.open(scripted_visits.visit(tmp_path / "now"), read_only=True) as record:
        drawn = of_record(record)[0]
    assert "over visits. 2024-01-05: 2.8 µA, 2025-01-05: 2.4 µA, 2026-01-05 as found: 2.1 µA" in drawn


def test_the_timing_is_drawn(made):
    assert "Timing of the sequence. purge time: 16 s, pass; warm up time: 21 s, pass; trial for ignition: 3 s" in made


def test_nothing_in_it_is_worded_as_a_permission(made):
    forbidden = re.compile(r"\b(is safe|safe to|you may|you can|allowed to|approved|permitted|good to go)\b", re.I)
    assert not forbidden.findall(Shape(made).words)


def test_the_command_writes_both(tmp_path, need):
    need("pango")
    need("pdftoppm")
    whole = {step: said for step, said in scripted_visits.EVENTFUL.items() if step != "inlet-running"}  # no notice
    visit = scripted_visits.visit(tmp_path / "v", whole)
    done = subprocess.run(
        [*ASSISTANT, "report", visit.parent, "--html", tmp_path / "r.html", "--pdf", tmp_path / "r.pdf"],
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    assert (tmp_path / "r.html").stat().st_size > 50_000
    told = subprocess.run(["pdftotext", "-layout", tmp_path / "r.pdf", "-"], capture_output=True, text=True, check=True)
    pages = told.stdout.split("\f")
    assert "What was found" in pages[0]
    assert "How it was left" in pages[0]
    assert "Readings" not in pages[0]
    assert "Readings" in pages[1]
    assert f"Page 1 of {len(pages) - 1}" in pages[0]
    assert "1.4 µA" in told.stdout


def test_without_a_name_the_report_lies_beside_the_record(tmp_path):
    path = scripted_visits.visit(tmp_path / "v", most=10)
    done = subprocess.run([*ASSISTANT, "report", path.parent], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    assert (path.parent / "report.html").is_file()


def test_a_report_that_cannot_be_written_is_one_sentence(tmp_path, made):
    with pytest.raises(Problem, match="could not be written: No such file or directory; make its folder one"):
        write_whole(tmp_path / "no" / "such" / "report.html", made.encode())


def test_the_pdf_fetches_nothing(tmp_path, need):
    need("pango")
    import weasyprint

    picture = tmp_path / "picture.bmp"
    noise = np.random.default_rng(1).integers(0, 255, 100 * 100 * 3, dtype=np.uint8).tobytes()
    header = b"BM" + struct.pack("<IHHI", 54 + len(noise), 0, 0, 54)
    picture.write_bytes(header + struct.pack("<IiiHHIIiiII", 40, 100, 100, 1, 24, 0, len(noise), 0, 0, 0, 0) + noise)
    text = f'<p>text</p><img src="{picture.as_uri()}">'
    page.pdf(text, tmp_path / "r.pdf")
    assert (tmp_path / "r.pdf").stat().st_size < 15_000
    assert len(weasyprint.HTML(string=text).write_pdf()) > 25_000  # what fetching it would make


def test_every_quantity_and_finding_has_plain_words(shelf):
    assert [name for name in (*shelf.quantities, *FINDINGS) if not words.plain_now(name)] == []


def test_the_limit_of_a_count_has_no_unit(shelf):
    (trials,) = shelf.limits["ignition-trials"]
    assert words.bounds(trials) == "at most 5; watch above 4"


def test_what_is_spelt_when_spoken_prints_as_a_word():
    assert printed("Do the valve and the flue C O fit L P?") == "Do the valve and the flue CO fit LP?"


def test_a_clean_visit_takes_four_pages_each_with_number_and_head(tmp_path, need):
    need("pango")
    need("pdftoppm")
    with Record.open(scripted_visits.visit(tmp_path / "v"), read_only=True) as record:
        made, _ = of_record(record)
        story = story_of(record.entries())
    page.pdf(made, tmp_path / "r.pdf")
    told = subprocess.run(["pdftotext", "-layout", tmp_path / "r.pdf", "-"], capture_output=True, text=True, check=True)
    pages = told.stdout.split("\f")[:-1]
    assert len(pages) <= 4
    for each in pages:
        assert f"Visit {words.number(story)}" in each
        assert story.last.hash in each
    assert pages[0].index("What was found") < pages[0].index("How it was left")
    assert "Hazards voiced" in pages[-1]
    for hazard in {name for warned in story.warned for name in warned.hazards}:
        assert story.rules.hazards[hazard].say in Shape(made).words


def test_what_is_left_with_an_unsafe_appliance_is_one_page_to_sign(eventful, tmp_path, need):
    need("pango")
    need("pdftoppm")
    with Record.open(eventful, read_only=True) as record:
        made, _ = of_record(record, audio=False)
    page.pdf(made, tmp_path / "r.pdf")
    told = subprocess.run(["pdftotext", "-layout", tmp_path / "r.pdf", "-"], capture_output=True, text=True, check=True)
    first, second = told.stdout.split("\f")[:2]
    for said in (
        "Notice of a gas appliance",
        "14 Example Lane",
        "What is wrong:",
        "Told:",
        "Received by",
        "Technician",
    ):
        assert said in first
    assert "What was found" not in first
    assert second.index("What was found") < second.index("How it was left")
    assert told.stdout.count("Received by") == 1


def test_serial_numbers_and_when_calibration_is_due(eventful, tmp_path):
    def told(**meter: str) -> str:
        job = scripted_visits.demo_job()
        meters = tuple(each.model_copy(update=meter) for each in job.meters[:1])
        job = job.model_copy(update={"meters": meters})
        visit = scripted_visits.visit(tmp_path / str(len(list(tmp_path.iterdir()))), job=job, most=5)
        with Record.open(visit, read_only=True) as record:
            return Shape(page.html(story_of(record.entries()))).words

    assert "serial number invented 0000" in told()
    assert "serial number invented 001" in told()
    assert "2026-01-04, before this visit" in told(calibration_due="2026-01-04")
    assert "2026-01-05, before this visit" not in told(calibration_due="2026-01-05")
    assert "serial number not given" in told(serial="")


def test_a_danger_that_nobody_understood_is_said(tmp_path):
    with Record.open(scripted_visits.visit(tmp_path), read_only=True) as record:
        story = story_of(record.entries())
    hazards = story.rules.hazards
    danger = next(w for w in story.warned if any(hazards[name].level == "danger" for name in w.hazards))
    story.understood.discard(danger.seq)
    assert f"not answered: {words.second(danger.utc)}" in Shape(page.html(story)).words


def test_the_time_is_told_by_the_local_clock_too(monkeypatch):
    monkeypatch.setenv("TZ", "America/Chicago")
    time.tzset()
    try:
        told = words.local("2026-01-05T05:30:00.000Z", "2026-01-05T06:20:00.000Z")
    finally:
        monkeypatch.undo()
        time.tzset()
    assert told == "2026-01-04 23:30 to 2026-01-05 00:20 (UTC-06:00)"


def test_what_was_mended_is_told_with_what_was_found_and_each_value_with_who_said_it(tmp_path):
    path = scripted_visits.visit(
        tmp_path,
        {
            **scripted_visits.EVENTFUL,
            "line": ["helper reading", "hot to neutral one twenty two point four neutral to ground point six"],
        },
    )
    with Record.open(path, read_only=True) as record:
        made = of_record(record)[0]
        story = story_of(record.entries())
    told = Shape(made).words
    found = told.split("What was found")[1].split("What was repaired")[0]
    assert "Igniter resistance: as found open, fail. Mended: igniter replaced; as left 62 ohm." in found
    repaired = told.split("What was repaired")[1].split("As found and as left")[0]
    assert repaired.split() == ["Igniter", "replaced."]
    who = {reading.quantity: reading.speaker for reading in story.readings}
    assert (who["line-voltage"], who["neutral-to-ground"], who["igniter-voltage"]) == ("helper", "helper", "technician")
    assert "[unk]" not in told


def test_a_name_is_never_printed_as_other_words(tmp_path, run):
    path = scripted_visits.visit(tmp_path, {"manifold": ["four point two inches"]})
    out = run("replay", path)[1]
    assert "told: a name, kept" in " ".join(out.replace("│", " ").split())
