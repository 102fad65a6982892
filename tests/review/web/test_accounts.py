"""Who opens the page of a store, what each role may, and what a sign-off says of who made it."""

from __future__ import annotations

import html
import re
from collections.abc import Iterator
from pathlib import Path

import pytest
import scripted_visits
from sqlalchemy import text
from starlette.testclient import TestClient
from typer.testing import CliRunner

from assistant.cli.commands import build
from assistant.errors import Problem
from assistant.review.store import accounts as accounts_module
from assistant.review.store.accounts import Accounts, hash_of, is_of
from assistant.review.store.parcel import from_record
from assistant.review.store.store import Store
from assistant.review.web.app import create_app
from assistant.review.web.guard import COOKIE, SESSION_S, SLOW_S, TRIES, Guard

PASSWORD = "three invented words"
PEOPLE = {"Pat Moe": "supervisor", "Kim Roe": "owner", "Lee Poe": "technician", "Sam Doe (invented)": "supervisor"}
"""Sam Doe is the technician of the visit."""


@pytest.fixture
def shop(tmp_path: Path) -> Iterator[tuple[Store, str]]:
    """A store with one visit and some people; the visit."""
    parcel = from_record(scripted_visits.visit(tmp_path / "visit", most=14))
    with Store.open(str(tmp_path / "shop.sqlite"), make=True) as store:
        store.receive(parcel)
        for name, role in PEOPLE.items():
            Accounts(store).put(name, role)  # type: ignore[arg-type]
        Accounts(store).set_password("Pat Moe", PASSWORD)
        yield store, parcel.id


class Page:
    """A browser at the page of a store, its guard and its clock."""

    def __init__(self, store: Store) -> None:
        self.now = 0.0
        self.guard = Guard(clock=lambda: self.now, accounts=Accounts(store))
        self.browser = TestClient(create_app(store, self.guard), base_url="http://localhost", follow_redirects=False)
        self.accounts = Accounts(store)

    def enter(self, **form: str) -> int:
        return self.browser.post("/enter", data={"form_key": self.guard.form_key, **form}).status_code

    def enter_as(self, name: str) -> None:
        assert self.enter(link=self.accounts.make_link(name)) == 303

    def sign(self, visit: str, **form: str) -> tuple[int, str]:
        shown = self.browser.get(f"/visit/{visit}").text
        hidden = dict(re.findall(r'<input type="hidden" name="(\w+)" value="([^"]*)">', shown))
        answer = self.browser.post(f"/visit/{visit}/review", data={"standing": "signed off", **hidden, **form})
        return answer.status_code, answer.text


@pytest.fixture
def page(shop: tuple[Store, str]) -> Page:
    return Page(shop[0])


def test_nothing_is_shown_before_somebody_signed_in(page: Page, shop: tuple[Store, str]) -> None:
    for path in ("/", f"/visit/{shop[1]}", "/readings", "/crews", "/steps"):
        assert page.browser.get(path).headers["location"] == "/enter"
    shown = page.browser.get("/enter").text
    assert 'type="password"' in shown
    assert "All crews" not in shown
    assert page.enter(name="Pat Moe", password="another password") == 403
    assert page.enter(name="Lee Poe", password="") == 403  # has none
    assert page.enter(name="Nobody", password=PASSWORD) == 403
    assert page.enter(token="") == 403
    assert page.browser.get("/").status_code == 303
    assert page.enter(name="Pat Moe", password=PASSWORD) == 303
    assert "Pat Moe, supervisor" in page.browser.get("/").text


def test_the_sign_off_says_who(page: Page, shop: tuple[Store, str]) -> None:
    page.enter(name="Pat Moe", password=PASSWORD)
    assert page.sign(shop[1], by="Somebody Else")[0] == 303
    kept = shop[0].visit(shop[1])
    assert kept
    assert [(each.by, each.role) for each in kept.reviews] == [("Pat Moe", "supervisor")]
    shown = page.browser.get(f"/visit/{shop[1]}").text
    assert "by Pat Moe, supervisor" in shown
    assert "Signed in with their own account." in shown
    assert "Not authenticated" not in shown
    assert not kept.problems


def test_without_accounts_it_is_not_authenticated(shop: tuple[Store, str]) -> None:
    for name in PEOPLE:
        Accounts(shop[0]).remove(name)
    page = Page(shop[0])
    assert page.browser.get("/").status_code == 200
    assert page.sign(shop[1], by="Pat Moe")[0] == 303
    shown = page.browser.get(f"/visit/{shop[1]}").text
    assert "Not authenticated: a name as it was typed." in shown
    assert "Nobody checks who you are" in shown


def test_a_technician_looks_and_does_not_sign(page: Page, shop: tuple[Store, str]) -> None:
    page.enter_as("Lee Poe")
    shown = page.browser.get(f"/visit/{shop[1]}").text
    assert "A technician looks at visits, and does not sign them." in shown
    assert "<button name=" not in shown
    form = {"form_key": page.guard.form_key, "standing": "disputed", "comment": "no", "by": "Pat Moe"}
    assert page.browser.post(f"/visit/{shop[1]}/review", data=form).status_code == 403
    assert page.browser.get("/crews").status_code == 403
    kept = shop[0].visit(shop[1])
    assert kept
    assert not kept.reviews


def test_a_supervisor_does_not_sign_off_their_own_visit_and_an_owner_may(page: Page, shop: tuple[Store, str]) -> None:
    page.enter_as("Sam Doe (invented)")
    status, shown = page.sign(shop[1])
    assert (status, "does not sign off their own visit" in shown) == (422, True)
    page.accounts.put("Sam Doe (invented)", "owner")
    assert page.browser.get("/").status_code == 303  # another role ends what was open
    page.enter_as("Sam Doe (invented)")
    assert page.sign(shop[1])[0] == 303


def test_a_link_opens_once_and_not_for_long(page: Page, monkeypatch: pytest.MonkeyPatch) -> None:
    link = page.accounts.make_link("Kim Roe")
    assert page.browser.get(f"/enter?link={link}").status_code == 200  # a program that looks at links uses none up
    assert page.browser.get("/").status_code == 303
    assert page.enter(link=link) == 303
    assert "Kim Roe, owner" in page.browser.get("/").text
    assert page.enter(link=link) == 403
    assert page.enter(link="") == 403
    older, newer = page.accounts.make_link("Kim Roe"), page.accounts.make_link("Kim Roe")
    assert page.enter(link=older) == 403
    monkeypatch.setattr(accounts_module, "LINK_LASTS", -accounts_module.LINK_LASTS)
    late = page.accounts.make_link("Kim Roe")
    assert page.enter(link=late) == 403
    assert page.enter(link=newer) == 403


def test_a_session_ends(page: Page) -> None:
    page.enter(name="Pat Moe", password=PASSWORD)
    page.now = SESSION_S - 1
    assert page.browser.get("/").status_code == 200
    page.now = SESSION_S + 1
    assert page.browser.get("/").headers["location"] == "/enter"
    page.enter(name="Pat Moe", password=PASSWORD)
    cookie = page.browser.cookies[COOKIE]
    assert page.browser.post("/leave", data={"form_key": page.guard.form_key}).status_code == 303
    assert page.browser.get("/", headers={"cookie": f"{COOKIE}={cookie}"}).status_code == 303
    page.enter(name="Pat Moe", password=PASSWORD)
    page.accounts.set_password("Pat Moe", PASSWORD + "!")
    assert page.browser.get("/").status_code == 303
    page.enter(name="Pat Moe", password=PASSWORD + "!")
    assert page.browser.get("/").status_code == 200
    page.accounts.remove("Pat Moe")
    assert page.browser.get("/").status_code == 303


def test_a_session_of_the_token_ends_when_there_are_accounts(shop: tuple[Store, str]) -> None:
    store, _ = shop
    for name in PEOPLE:
        Accounts(store).remove(name)
    page = Page(store)
    page.guard.token = "a-token-of-some-length"
    assert page.enter(token="a-token-of-some-length") == 303
    assert page.browser.get("/").status_code == 200
    page.accounts.put("Pat Moe", "supervisor")
    assert page.browser.get("/").status_code == 303
    assert page.enter(token="a-token-of-some-length") == 403


def test_wrong_passwords_are_slowed(page: Page) -> None:
    assert [page.enter(name="Pat Moe", password="wrong") for _ in range(TRIES)] == [403] * TRIES
    assert page.enter(name="Pat Moe", password=PASSWORD) == 429
    page.now += SLOW_S + 1
    assert page.enter(name="Pat Moe", password=PASSWORD) == 303


def test_only_a_hash_is_kept(shop: tuple[Store, str], tmp_path: Path) -> None:
    link = Accounts(shop[0]).make_link("Pat Moe")
    shop[0].close()
    data = b"".join(file.read_bytes() for file in tmp_path.glob("shop.sqlite*"))
    assert b"Pat Moe" in data
    assert PASSWORD.encode() not in data
    assert link.encode() not in data
    assert hash_of(PASSWORD) != hash_of(PASSWORD)  # each has its own salt
    assert is_of(PASSWORD, hash_of(PASSWORD))
    assert not is_of(PASSWORD + " ", hash_of(PASSWORD))


def test_a_password_is_not_short(shop: tuple[Store, str]) -> None:
    with pytest.raises(Problem, match="too short"):
        Accounts(shop[0]).set_password("Pat Moe", "short")
    with pytest.raises(Problem, match="Nobody has the name 'Nobody'"):
        Accounts(shop[0]).set_password("Nobody", PASSWORD)


@pytest.mark.parametrize(
    ("change", "name"),
    [
        ("UPDATE account SET role = 'owner' WHERE name = 'Lee Poe'", "Lee Poe"),
        ("INSERT INTO account VALUES ('Mallory', 'owner', '', '', '', '')", "Mallory"),
        ("DELETE FROM account WHERE name = 'Kim Roe'", "Kim Roe"),
    ],
)
def test_an_account_that_nobody_made_is_said(page: Page, shop: tuple[Store, str], change: str, name: str) -> None:
    assert shop[0].warnings() == []
    page.accounts.put("Lee Poe", "supervisor")
    page.accounts.remove("Lee Poe")
    page.accounts.put("Lee Poe", "technician")
    assert shop[0].warnings() == []
    page.enter_as("Pat Moe")
    with shop[0]._asked(write=True) as connection:
        connection.execute(text(change))
    said = f"The account '{name}' is not as assistant shop user left it."
    assert shop[0].warnings() == [said]
    assert html.escape(said).replace("&#x27;", "&#39;") in page.browser.get("/").text


def test_the_command(tmp_path: Path) -> None:
    store = str(tmp_path / "shop.sqlite")
    Store.open(store, make=True).close()

    def run(*arguments: str, typed: str = "", status: int = 0) -> str:
        done = CliRunner().invoke(build(), ["shop", "user", *arguments, "--store", store], input=typed)
        assert done.exit_code == status, done.output
        return done.output if not status else str(done.exception)

    assert "Nobody has the name" in run("Pat Moe", "--link", status=1)
    assert run("Pat Moe", "--role", "supervisor", "--password", typed=f"{PASSWORD}\n{PASSWORD}\n").endswith(
        "Pat Moe: supervisor\n"
    )
    said = run("Kim Roe", "--role", "owner", "--link", "--at", "http://office.example:8765")
    link = re.search(r"http://office\.example:8765/enter\?link=(\S+)", said)
    assert link
    assert run() == "Kim Roe: owner\nPat Moe: supervisor\n"
    with Store.open(store) as opened:
        assert Accounts(opened).by_password("Pat Moe", PASSWORD)
        found = Accounts(opened).by_link(link[1])
        assert found
        assert found.name == "Kim Roe"
    run("Pat Moe", "--remove")
    assert run() == "Kim Roe: owner\n"
