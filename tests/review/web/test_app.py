"""The page's answers: who may look, who may write, and what is said when something is not there."""

from __future__ import annotations

import html
import re
import subprocess
import sys
import time
from dataclasses import replace

import httpx
import pytest
from starlette.testclient import TestClient

from assistant.cli.page import TOKEN, token_for
from assistant.errors import Problem
from assistant.record.folder import all_in
from assistant.review.store.folder import FolderStore
from assistant.review.store.parcel import from_record
from assistant.review.store.store import Store
from assistant.review.web import app as app_module
from assistant.review.web import limits_now
from assistant.review.web.app import create_app
from assistant.review.web.guard import COOKIE, SESSION_S, SLOW_S, TRIES, Guard
from assistant.review.web.shop import Search, StoreDown


def client(shop, guard: Guard | None = None) -> TestClient:
    app = create_app(shop, guard)
    return TestClient(app, base_url="http://localhost", follow_redirects=False, raise_server_exceptions=False)


@pytest.fixture
def shop(folder) -> FolderStore:
    return FolderStore(folder)


@pytest.fixture
def guard() -> Guard:
    return Guard()


@pytest.fixture
def page(shop, guard) -> TestClient:
    return client(shop, guard)


def signed(guard: Guard, page: TestClient | None = None, visit: str = "lane-2026", **fields: str) -> dict[str, str]:
    """What a browser sends, with what stands in the page's form."""
    hidden = {}
    if page:
        text = page.get(f"/visit/{visit}").text
        hidden = dict(re.findall(r'<input type="hidden" name="(head|entries)" value="([^"]*)">', text))
    form = {"form_key": guard.form_key, "by": "Pat Moe", "comment": "", "standing": "signed off"}
    return {**form, **hidden, **fields}


def sentence(answer) -> str:
    text = re.sub(r"<[^>]+>", " ", answer.text.split("<main", 1)[1].split("</main>")[0].split(">", 1)[1])
    return " ".join(text.split())


def test_a_review_is_a_new_entry_and_the_record_stays_as_it_is(page, guard, folder):
    before = (folder / "lane-2026" / "visit.sqlite").read_bytes()
    assert page.post("/visit/lane-2026/review", data=signed(guard, page)).status_code == 303
    again = signed(guard, standing="returned", comment="Read the inlet pressure.")
    assert page.post("/visit/lane-2026/review", data=again).status_code == 303
    told = sentence(page.get("/visit/lane-2026"))
    assert "signed off by Pat Moe Not authenticated" in told
    assert "returned by Pat Moe: Read the inlet pressure. Not authenticated" in told
    assert len((folder / "reviews.jsonl").read_text(encoding="utf-8").splitlines()) == 2
    assert (folder / "lane-2026" / "visit.sqlite").read_bytes() == before


@pytest.mark.parametrize(
    ("fields", "told"),
    [
        ({"by": " "}, "Give your name."),
        ({"standing": "returned"}, "needs a comment"),
        ({"standing": "deleted"}, "Choose one"),
        ({"by": "x" * 101}, "too long"),
    ],
)
def test_a_review_that_lacks_something_is_asked_for_again_and_keeps_what_was_typed(page, guard, folder, fields, told):
    answer = page.post("/visit/lane-2026/review", data=signed(guard, **fields))
    assert answer.status_code == 422
    assert told in answer.text
    assert not (folder / "reviews.jsonl").exists()


def test_a_form_of_another_site_is_refused(page, guard, folder):
    assert page.post("/visit/lane-2026/review", data=signed(guard, form_key="guessed")).status_code == 403
    elsewhere = {"origin": "http://elsewhere.example"}
    assert page.post("/visit/lane-2026/review", data=signed(guard), headers=elsewhere).status_code == 403
    assert not (folder / "reviews.jsonl").exists()
    assert (
        page.post(
            "/visit/lane-2026/review", data=signed(guard, page), headers={"origin": "http://localhost"}
        ).status_code
        == 303
    )


def test_no_state_changes_by_get(page, guard, folder):
    assert page.get("/visit/lane-2026/review", params=signed(guard)).status_code == 405
    assert not (folder / "reviews.jsonl").exists()


def test_a_form_that_is_too_long_is_not_read(page, guard):
    assert page.post("/visit/lane-2026/review", data=signed(guard, comment="x" * 30_000)).status_code == 413


def test_another_name_of_this_machine_is_not_served(page):
    assert page.get("/", headers={"host": "elsewhere.example"}).status_code == 400


def test_what_a_browser_is_told(page):
    headers = page.get("/").headers
    policy = headers["content-security-policy"]
    assert "default-src 'none'" in policy
    assert "unsafe" not in policy
    assert headers["x-content-type-options"] == "nosniff"
    assert "<script>" not in page.get("/visit/lane-2026").text
    assert " style=" not in page.get("/visit/lane-2026").text


def test_with_a_token_nothing_is_shown_before_it_is_given(shop):
    guard = Guard("a-token-of-some-length")
    page = client(shop, guard)
    for path in ("/", "/visit/lane-2026", "/visit/lane-2026/audio/0001.flac", "/steps"):
        answer = page.get(path)
        assert (answer.status_code, answer.headers["location"]) == (303, "/enter")
    assert page.post("/visit/lane-2026/review", data=signed(guard)).headers["location"] == "/enter"
    wrong = page.post("/enter", data={"token": "another", "form_key": guard.form_key})
    assert wrong.status_code == 403
    assert "not the token" in wrong.text
    right = page.post("/enter", data={"token": "a-token-of-some-length", "form_key": guard.form_key})
    assert right.status_code == 303
    assert "httponly" in right.headers["set-cookie"].lower()
    assert "samesite=strict" in right.headers["set-cookie"].lower()
    assert page.get("/").status_code == 200
    assert client(shop, guard).get("/").status_code == 303  # another browser


TOKEN_GIVEN = "a-token-of-some-length"


@pytest.fixture
def timed(shop):
    """A page with a token, its clock, and a browser that gives tokens."""
    now = [0.0]
    guard = Guard(TOKEN_GIVEN, clock=lambda: now[0])
    page = client(shop, guard)

    def give(token: str = TOKEN_GIVEN) -> int:
        return page.post("/enter", data={"token": token, "form_key": guard.form_key}).status_code

    return page, guard, now, give


def test_a_session_ends(timed):
    page, _, now, give = timed
    assert give() == 303
    now[0] = SESSION_S - 1
    assert page.get("/").status_code == 200
    now[0] = SESSION_S + 1
    assert page.get("/").headers["location"] == "/enter"


def test_log_out(timed):
    page, guard, _, give = timed
    give()
    assert "Log out" in page.get("/").text
    cookie = page.cookies[COOKIE]
    assert page.post("/leave", data={"form_key": "guessed"}).status_code == 403
    assert page.get("/").status_code == 200
    assert page.post("/leave", data={"form_key": guard.form_key}).headers["location"] == "/enter"
    assert page.get("/", headers={"cookie": f"{COOKIE}={cookie}"}).status_code == 303  # not the browser alone forgets
    assert "Log out" not in page.get("/enter").text


def test_wrong_tokens_are_slowed(timed):
    page, _, now, give = timed
    assert [give("wrong") for _ in range(TRIES)] == [403] * TRIES
    assert give() == 429  # the right one, too
    assert page.get("/").status_code == 303
    now[0] += SLOW_S + 1
    assert give("wrong") == 403
    assert give() == 429
    now[0] += SLOW_S + 1
    assert give() == 303
    assert give("wrong") == 403  # counted from the start again
    assert give() == 303


def test_only_this_machine_needs_no_token(monkeypatch):
    monkeypatch.delenv(TOKEN, raising=False)
    assert token_for("127.0.0.1") is None
    assert len(token_for("0.0.0.0") or "") >= 16
    monkeypatch.setenv(TOKEN, "short")
    with pytest.raises(Problem, match="too short"):
        token_for("0.0.0.0")


def test_a_store_that_is_down_is_one_sentence(page, folder):
    folder.rename(folder.with_name("elsewhere"))
    for path in ("/", "/visit/lane-2026", "/steps"):
        answer = page.get(path)
        assert answer.status_code == 503
        assert sentence(answer).startswith("Not now The folder")
        assert "Traceback" not in answer.text


def test_a_review_that_cannot_be_kept_is_said(page, guard, monkeypatch):
    def full(*_: object) -> None:
        raise StoreDown("The disk of the store is full; make room.")

    monkeypatch.setattr(FolderStore, "add_review", full)
    answer = page.post("/visit/lane-2026/review", data=signed(guard, page))
    assert (answer.status_code, sentence(answer)) == (503, "Not now The disk of the store is full; make room.")


def test_a_fault_of_the_program_shows_no_trace(page, monkeypatch):
    def fault(*_: object) -> None:
        raise RuntimeError("secret")

    monkeypatch.setattr(FolderStore, "steps", fault)
    answer = page.get("/steps")
    assert answer.status_code == 500
    assert "secret" not in answer.text


@pytest.mark.parametrize(
    ("path", "told"),
    [
        ("/visit/none", "no such visit"),
        ("/visit/lane-2026/audio/9999.flac", "not kept"),
        ("/visit/lane-2026/audio/..%2F..%2Freviews.jsonl", "no such page"),
        ("/appliance/none", "no such appliance"),
        ("/none", "no such page"),
    ],
)
def test_what_is_not_there_is_said(page, path, told):
    answer = page.get(path)
    assert answer.status_code == 404
    assert told in answer.text


def test_only_recordings_that_the_record_names_are_given(page, folder):
    (folder / "lane-2026" / "visit.audio" / "other.flac").write_bytes(b"x")
    assert page.get("/visit/lane-2026/audio/other.flac").status_code == 404
    assert page.get("/visit/lane-2026/audio/0001.flac").content.startswith(b"fLaC")


def test_limits_then_and_now(page, monkeypatch):
    assert "Today's limits are those of the visit" in page.get("/visit/lane-2024").text
    real = limits_now.limit_for

    def stricter(name, limits, job):
        limit = real(name, limits, job)
        return limit.model_copy(update={"low": limit.low * 3, "caution_low": None}) if name == "flame-signal" else limit

    monkeypatch.setattr(limits_now, "limit_for", stricter)
    told = sentence(page.get("/visit/lane-2024"))
    assert "at least 1.0 µA; watch below 1.5 at least 3.0 µA pass fail" in told


def test_the_report_of_a_visit_draws_the_visits_before_it(page):
    assert "2023-01-05: 2.8 µA, 2024-01-05: 2.4 µA, 2025-01-05 as found" in page.get("/visit/lane-2025/report").text


def test_a_visit_opens_with_what_was_found_and_left(page):
    text = page.get("/visit/lane-2026").text
    assert re.findall(r"<h2[^>]*>([^<]+)", text)[:2] == ["As found and as left", "What needs a look"]
    told = sentence(page.get("/visit/lane-2026"))
    wanted = "Igniter resistance open fail technician Hear Igniter replaced 62 ohm pass technician Hear 45 to 90 ohm"
    assert wanted in told
    assert "Flame signal 1.3 was read back, and refused 1.4 µA caution" in told
    assert "Inlet pressure at full fire: no access Hear" in told
    assert "CO air free" in told
    links = re.findall(r'class="hear" href="([^"]+)"', text)
    assert page.get(links[0]).content.startswith(b"fLaC")


def test_what_has_no_figure_and_what_was_refused_is_in_the_trends(page):
    appliance = re.search(r'href="(/appliance/[^"]+)"', page.get("/visit/lane-2026").text)
    assert appliance
    told = sentence(page.get(appliance[1]))
    assert "2026-01-05 09:01 UTC open fail 2026-01-05 09:01 UTC 61.7 ohm pass" in told
    assert "1.3 read back, and refused" in told
    listed = re.search(r'href="(/readings\?quantity=flame-signal&amp;words=[^"]+)"', page.get(appliance[1]).text)
    assert listed
    assert page.get(html.unescape(listed[1])).text.count('<th scope="row">') == 5


def test_which_steps_go_wrong_by_crew(page, monkeypatch):
    class Then(app_module.datetime):
        @classmethod
        def now(cls, zone=None):
            return cls(2026, 1, 14, tzinfo=zone)

    monkeypatch.setattr(app_module, "datetime", Then)
    told = sentence(page.get("/steps"))
    assert "Sam Doe (invented) flame 1 1 0 0 0" in told
    assert "Lee Poe (invented) inlet running 1 0 0 0 1" in sentence(page.get("/steps?weeks=13"))
    assert "Lee Poe (invented) inlet running 2 0 0 0 1" in told
    assert "not recorded" in sentence(page.get("/steps?by=microphone"))


def test_a_changed_record_is_said_and_a_new_visit_is_seen(page, shop, folder):
    assert "is not as it was recorded" not in page.get("/visit/lane-2025").text
    path = folder / "lane-2025" / "visit.sqlite"
    data = path.read_bytes()
    place = data.rindex(b'"value":"1.9"')
    path.write_bytes(data[:place] + b'"value":"2.9"' + data[place + 13 :])
    assert "is not as it was recorded" in page.get("/visit/lane-2025").text


def test_the_command_serves_until_it_is_stopped(folder):
    command = [sys.executable, "-m", "assistant", "page", "--folder", str(folder), "--port", "0"]
    missing = subprocess.run([*command[:-3], "/none/such"], capture_output=True, text=True, check=False)
    assert missing.returncode == 2
    assert "There is no folder" in missing.stderr


def test_two_on_one_port_is_one_sentence(folder):
    command = [sys.executable, "-m", "assistant", "page", "--folder", str(folder), "--port", "18765"]
    first = subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)
    try:
        for _ in range(200):
            try:
                assert httpx.get("http://127.0.0.1:18765/", trust_env=False).status_code == 200
                break
            except httpx.TransportError:
                time.sleep(0.1)
        else:
            pytest.fail("the page was not served")
        second = subprocess.run(command, capture_output=True, text=True, check=False)
        assert second.returncode == 2
        assert "cannot be served at 127.0.0.1, port 18765" in second.stderr
    finally:
        first.terminate()
        first.wait()


def test_a_folder_and_a_store_of_the_same_visits_answer_alike(visits, tmp_path):
    folder = FolderStore(visits)
    with Store.open(str(tmp_path / "shop.sqlite"), make=True) as store:
        for path in all_in(visits).records:
            store.receive(from_record(path))
        for asked in (Search(), Search(words="lane"), Search(outcome="unsafe"), Search(standing="signed off")):
            listed = folder.visits(asked, 0, 99)
            assert [replace(each, visit="") for each in store.visits(asked, 0, 99)] == [
                replace(each, visit="") for each in listed
            ]
        assert len(folder.visits(Search(), 0, 99)) > 2
        assert list(store.crews()) == folder.crews()
        for name in {each.appliance for each in folder.visits(Search(), 0, 99)}:
            stored, here = store.trends(name), folder.trends(name)
            assert {key: [replace(p, visit="") for p in points] for key, points in stored.items()} == {
                key: [replace(p, visit="") for p in points] for key, points in here.items()
            }
        for by in ("crew", "microphone"):
            assert store.steps(by) == folder.steps(by) != []
