"""The phone's screen at each kind of step, in a real browser: read from two metres, and by whoever does not see it."""

from __future__ import annotations

from contextlib import ExitStack
from pathlib import Path

import pytest
from desk import Desk
from pocket import Pocket
from scripted_ears import Person, open_visit

from assistant.dialogue.state import Phase
from assistant.phone.server import serving
from assistant.session.now import Now

AXE = (Path(__file__).parents[1] / "review" / "web" / "vendored" / "axe.min.js").read_text(encoding="utf-8")


class Until(Person):
    """Answers until the visit is at what is looked for."""

    def __init__(self, there):
        super().__init__()
        self.there = there

    def __call__(self):
        return None if self.there(self.visit.state, self.visit.dialogue.rules.procedure) else super().__call__()


def at_step(kind):
    return lambda state, procedure: (
        state.phase is Phase.ASKING and procedure.step(state.step).kind == kind and bool(state.standing)
    )


KINDS = {
    "check": at_step("check"),
    "do": at_step("do"),
    "read": at_step("read"),
    "read-back": lambda state, _: state.phase is Phase.CONFIRMING and len(state.standing) > 2,
    "danger": lambda state, _: state.phase is Phase.WARNING and state.step == "power-on",
    "time": at_step("time"),
    "closed": lambda state, _: state.phase is Phase.CLOSED,
}


@pytest.fixture
def screen(playwright, tmp_path):
    """The phone's page at a desk; `show` puts a visit there at what is looked for."""
    desk = Desk(tmp_path)
    with ExitStack() as stack:
        stack.enter_context(serving(desk.server, desk.place))
        pocket = stack.enter_context(Pocket(playwright, tmp_path))
        pocket.desk = desk
        yield pocket
        assert pocket.complaints == []


def visit_at(folder, there, *first):
    path = folder / "visit" / "visit.sqlite"
    path.parent.mkdir(exist_ok=True)
    now, person = Now(folder), Until(there)
    now.record = str(path)
    said = list(first)
    visit = open_visit(path, lambda: said.pop(0) if said else person(), speaking=now.speaking)
    person.visit = visit
    visit.run()
    visit.record.close()
    now.listening()


def looks_right(page, pictures, name):
    """Nothing is off the screen, axe finds nothing, the words are large; and a picture for whoever looks."""
    page.evaluate(AXE)
    found = page.evaluate("axe.run(document, {resultTypes: ['violations']})")["violations"]
    assert [violation["id"] for violation in found] == []
    for size in ({"width": 390, "height": 844}, {"width": 844, "height": 390}):
        page.set_viewport_size(size)
        assert page.evaluate("document.documentElement.scrollWidth") <= size["width"]
        for value in page.locator("#now .value").all():
            assert value.bounding_box()["y"] + value.bounding_box()["height"] <= size["height"], (name, size)
        page.screenshot(path=pictures / f"{name}-{size['width']}.png")
    page.set_viewport_size({"width": 390, "height": 844})


def test_the_screen_at_each_kind_of_step(screen, tmp_path):
    page, desk = screen.page, screen.desk
    page.goto(f"{desk.place.origin}/#{desk.lines[0].code}")
    looks_right(page, tmp_path, "start")
    assert desk.lines[0].code not in page.url  # nobody reads it over a shoulder
    page.click("#start")
    for name, there in KINDS.items():
        visit_at(tmp_path, there)
        page.wait_for_selector("#now:has-text('Not listening')" if name == "closed" else "#now:has-text('Listening')")
        page.wait_for_timeout(600)
        looks_right(page, tmp_path, name)
        hazards = page.locator("#now .hazards li").count()
        assert (hazards > 0) == (name in ("check", "do", "read", "danger")), name
        if name == "danger":
            assert page.inner_text("#now .hazards").splitlines()[0] == "Going live, hands out."


def test_the_screen_in_an_emergency_where_the_line_is_lost_and_when_it_is_over(screen, tmp_path):
    page, desk = screen.page, screen.desk
    visit_at(tmp_path, lambda state, _: state.phase is Phase.EMERGENCY, "i smell gas")
    screen.join(f"{desk.place.origin}/#{desk.lines[0].code}")
    page.wait_for_selector("#now h1:has-text('Emergency. Stay out.')")
    looks_right(page, tmp_path, "emergency")
    page.evaluate("deaf = true")
    page.wait_for_selector("#told:has-text('Emergency. Stay out. The connection is lost.')", timeout=2500)
    assert not page.is_visible("#now")
    looks_right(page, tmp_path, "lost")
    page.evaluate("deaf = false")
    page.wait_for_selector("#now h1:has-text('Emergency. Stay out.')")
    second = screen.new_page()
    second.goto(desk.place.origin)
    second.click("#start")
    second.wait_for_selector("#told:has-text('This code is wrong, or another phone has used it.')")
    looks_right(second, tmp_path, "refused")
    assert desk.lines[0].joined.is_set()
    desk.server.end()
    page.wait_for_selector("#told:has-text('The visit is over.')")
    looks_right(page, tmp_path, "over")
