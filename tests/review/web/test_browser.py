"""The page in a real browser: what is seen, heard and done, by mouse and by keyboard alone."""

from __future__ import annotations

import json
import os
import re
import time
from pathlib import Path

import pytest
from playwright.sync_api import expect
from scripted_ears import open_visit

from assistant.session.now import NAME, Now

AXE = (Path(__file__).parent / "vendored" / "axe.min.js").read_text(encoding="utf-8")


def accessible(tab) -> list[str]:
    """What axe finds wrong on the page that is shown."""
    # Evaluated by the driver, so that the page's own policy stays as it is.
    tab.evaluate(AXE)
    found = tab.evaluate("axe.run(document, {resultTypes: ['violations']})")
    return [f"{v['id']}: {json.dumps([n['html'] for n in v['nodes']])[:400]}" for v in found["violations"]]


@pytest.mark.parametrize(
    "path", ["/visit/lane-2026?show=refusals", "/visit/street-odour", "/steps?by=microphone", "/nothing", "/now"]
)
def test_every_page_is_accessible(served, tab, path):
    tab.goto(served + path)
    if path == "/nothing":
        tab.complaints.clear()  # the browser's own note of the 404
    assert accessible(tab) == []


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("width", [390, 820, 1400])
def test_nothing_is_off_the_screen_at_any_size(served, tab, folder, width, scheme):
    (folder / "zeroed-in-a-folder-with-a-long-name-that-has-to-wrap").mkdir()
    (folder / "zeroed-in-a-folder-with-a-long-name-that-has-to-wrap" / "visit.sqlite").write_bytes(bytes(4000))
    tab.set_viewport_size({"width": width, "height": 900})
    tab.emulate_media(color_scheme=scheme)
    for path in (
        "/",
        "/visit/lane-2026",
        "/visit/zeroed-in-a-folder-with-a-long-name-that-has-to-wrap",
        "/readings?quantity=flame-signal",
        "/crews?weeks=52",
        "/steps",
    ):
        tab.goto(served + path)
        assert tab.evaluate("document.documentElement.scrollWidth") <= width
        if width == 390:  # nor hidden in a table that has to be moved sideways
            hidden = "[...document.querySelectorAll('.scroll')].filter((e) => e.scrollWidth > e.clientWidth).length"
            assert tab.evaluate(hidden) == 0, path
        assert accessible(tab) == []


@pytest.fixture
def goes_on(folder):
    """A visit that says things one at a time; what it does is told as it is."""
    path = folder / "goes-on" / "visit.sqlite"
    path.parent.mkdir()
    now = Now(folder)
    now.record = str(path)

    def say(*words: str) -> None:
        waiting = list(words)

        def next_words() -> str | None:
            now.listening()
            return waiting.pop(0) if waiting else None

        visit = open_visit(path, next_words, speaking=now.speaking)
        visit.run()
        visit.record.close()

    return say


def test_the_screen_follows_the_visit_that_goes_on(served, tab, folder, goes_on):
    tab.goto(f"{served}/now")
    expect(tab.locator("#now")).to_contain_text("No visit was begun here yet.")
    goes_on()
    expect(tab.locator(".hears")).to_have_text(re.compile(r"^\s*Listening\s*$"))
    expect(tab.locator(".says")).to_have_text(re.compile("Read the ambient C O[.]$"))
    expect(tab.locator("h1")).to_have_text("Ambient CO")
    assert tab.locator(".last").count() == 0
    goes_on("three parts per million", "yes")
    expect(tab.locator(".last.circle")).to_contain_text("3 ppm")
    expect(tab.locator(".last")).to_contain_text("Pass")
    assert accessible(tab) == []
    goes_on("i smell gas")
    expect(tab.locator("h1")).to_have_text("Emergency. Stay out.")
    assert accessible(tab) == []


def test_the_screen_does_not_show_for_now_what_is_over(served, tab, folder, goes_on):
    goes_on("three parts per million", "yes")
    tab.goto(f"{served}/now")
    expect(tab.locator(".hears")).to_contain_text("Listening")
    then = time.time() - 180
    os.utime(folder / NAME, (then, then))
    expect(tab.locator(".hears")).to_contain_text("Not listening")
    expect(tab.locator(".hears")).to_contain_text("No sign of it for 3 minutes")
    tab.route("**/now/glance", lambda route: route.abort())
    expect(tab.locator("#lost")).to_be_visible()
    assert not tab.locator("#now").is_visible()
    tab.unroute("**/now/glance")
    expect(tab.locator("#now")).to_be_visible()
    tab.complaints.clear()  # the browser's own note of what was aborted


def test_the_trends_are_accessible_and_drawn(served, tab):
    tab.goto(f"{served}/visit/lane-2026")
    tab.get_by_role("link", name="induced draft furnace").click()
    assert accessible(tab) == []
    flame = tab.locator("section", has=tab.get_by_role("heading", name="Flame signal"))
    flame.locator("summary").click()
    assert [flame.locator("tbody td").nth(n).inner_text() for n in (0, 2, 4, 6, 8)] == [
        "2.8 µA",
        "2.4 µA",
        "1.9 µA",
        "1.3",  # read back, and refused
        "1.4 µA",
    ]
    drawing = flame.locator(".trend svg")
    told = "Flame signal. 2023-01-05: 2.8 µA, 2024-01-05: 2.4 µA, 2025-01-05: 1.9 µA, 2026-01-05: 1.4 µA"
    assert drawing.get_attribute("aria-label") == told
    assert drawing.locator("circle").count() == 4


def test_the_trends_are_seen_in_the_dark_and_on_a_phone(served, tab):
    tab.emulate_media(color_scheme="dark")
    tab.set_viewport_size({"width": 390, "height": 900})
    tab.goto(f"{served}/visit/lane-2026")
    tab.get_by_role("link", name="induced draft furnace").click()
    drawing = tab.locator(".trend svg").first
    assert drawing.evaluate("e => getComputedStyle(e).backgroundColor") == "rgb(255, 255, 255)"  # its ink is dark
    assert tab.evaluate("document.documentElement.scrollWidth") <= 390
    assert drawing.locator("text").first.evaluate("e => e.getBoundingClientRect().height") > 9  # it can be read


def test_what_is_unsafe_comes_first_then_what_to_follow_up(served, tab):
    tab.goto(served)
    rows = tab.locator("tbody tr")
    first = [rows.nth(n).inner_text() for n in range(3)]
    for row, site, why in zip(
        first,
        ("9 Model Road", "14 Example Lane", "3 Sample Street"),
        ("unsafe notice", "unsafe notice", "stopped for danger"),
        strict=True,
    ):
        assert site in row
        assert why in row
    assert rows.count() == 7


def test_search_and_filters(served, tab):
    tab.goto(served)
    tab.get_by_label("Site, appliance, person or cause").fill("model road")
    tab.get_by_role("button", name="Search").click()
    assert tab.locator("tbody tr").count() == 2
    tab.get_by_label("What was found").select_option("something outside its limit")
    tab.get_by_role("button", name="Search").click()
    assert tab.locator("tbody tr").count() == 1
    tab.get_by_label("Technician").select_option("Kim Roe (invented)")
    tab.get_by_role("button", name="Search").click()
    assert "No visit fits" in tab.get_by_role("status").inner_text()


def test_heard_taken_and_corrected_stand_side_by_side_and_can_be_heard(served, tab):
    tab.goto(f"{served}/visit/lane-2026")
    row = tab.locator(".timeline tr", has_text="“correction”")
    assert "taken back: igniter-voltage 160" in row.locator("td").nth(2).inner_text()
    refused = tab.locator(".timeline tr", has_text="refused: 1.3")
    refused.get_by_role("link", name="Hear").click()
    expect(tab.locator("#playing")).to_contain_text("Heard")
    assert "no" in tab.locator("#playing").inner_text()


def test_a_visit_is_reviewed_by_keyboard_alone(served, tab, folder):
    tab.goto(served)
    tab.keyboard.press("Tab")
    assert tab.evaluate("document.activeElement.textContent") == "To the content"
    tab.keyboard.press("Enter")
    for _ in range(40):
        tab.keyboard.press("Tab")
        if tab.evaluate("document.activeElement.textContent") == "3 Sample Street (invented)":
            break
    tab.keyboard.press("Enter")
    tab.wait_for_url("**/visit/street-odour")
    for _ in range(40):
        tab.keyboard.press("Tab")
        if tab.evaluate("document.activeElement.textContent") == "to the review":
            break
    tab.keyboard.press("Enter")
    for _ in range(5):
        tab.keyboard.press("Tab")
        if tab.evaluate("document.activeElement.id") == "by":
            break
    tab.keyboard.type("Pat Moe (invented)")
    tab.keyboard.press("Tab")
    tab.keyboard.type("Ask the gas supplier for its number.")
    tab.keyboard.press("Tab")
    tab.keyboard.press("Tab")
    assert tab.evaluate("document.activeElement.textContent") == "Return with the comment"
    tab.keyboard.press("Enter")
    tab.wait_for_url("**/visit/street-odour#reviews")
    assert "returned by Pat Moe (invented): Ask the gas supplier for its number." in tab.locator("main").inner_text()
    kept = [json.loads(line)["body"] for line in (folder / "reviews.jsonl").read_text(encoding="utf-8").splitlines()]
    assert [(k["visit"], k["standing"]) for k in kept] == [("street-odour", "returned")]


def test_a_time_line_is_played_through_with_a_pause(served, tab):
    tab.goto(f"{served}/visit/lane-2026?show=corrections")
    tab.get_by_role("link", name="readings", exact=True).click()
    links = tab.locator(".timeline a.hear")
    assert links.count() > 3

    def plays(number: int):
        expect(links.nth(number)).to_have_attribute("aria-current", "true")

    tab.get_by_role("button", name="Play these through").click()
    plays(0)
    plays(1)
    tab.get_by_role("button", name="Pause").click()
    at = tab.evaluate("[...document.querySelectorAll('.timeline a.hear')].findIndex((l) => l.ariaCurrent)")
    tab.wait_for_timeout(2000)
    plays(at)  # nothing went on meanwhile
    tab.get_by_role("button", name="Go on playing").click()
    plays(at + 1)
    tab.goto(f"{served}/visit/lane-2026?show=refusals")
    assert links.count() == 1
    tab.get_by_role("button", name="Play these through").click()
    expect(tab.locator("#playing")).to_contain_text("Heard: “no”")
    expect(tab.get_by_role("button", name="Play these through")).to_be_visible()


def test_every_recording_is_reached_and_played_by_keyboard(served, tab):
    tab.goto(f"{served}/visit/road-quiet")
    tab.locator("a.hear").first.focus()
    tab.keyboard.press("Enter")
    expect(tab.locator("#playing")).to_contain_text("Heard")


def test_nothing_is_loaded_from_elsewhere(served, tab):
    asked: list[str] = []
    tab.on("request", lambda request: asked.append(request.url))
    for path in ("/", "/visit/lane-2026", "/steps"):
        tab.goto(served + path)
    assert asked
    assert all(url.startswith((served, "data:", "blob:")) for url in asked)


def test_the_script_of_a_visit_s_words_is_not_run(served, tab, folder):
    (folder / "reviews.jsonl").write_text(
        json.dumps(
            {
                "visit": "lane-2026",
                "utc": "2026-01-09T10:00:00.000Z",
                "by": "<img src=x onerror=document.title='run'>",
                "standing": "returned",
                "comment": "<script>document.title='run'</script>",
            }
        )
        + "\n",
        encoding="utf-8",
    )
    tab.goto(f"{served}/visit/lane-2026")
    assert "run" not in tab.title()
    assert "<script>document.title" in tab.locator("main").inner_text()
