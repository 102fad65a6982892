"""The page itself: what is asked of it, and the answers. It reads a shop's store and adds reviews to it."""

from __future__ import annotations

import csv
import io
from collections.abc import Callable, Iterable, Mapping, Sequence
from contextlib import suppress
from dataclasses import fields, replace
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import Any, TypeVar, cast, get_args
from urllib.parse import quote

from starlette.applications import Starlette
from starlette.concurrency import run_in_threadpool
from starlette.exceptions import HTTPException
from starlette.middleware import Middleware
from starlette.requests import Request
from starlette.responses import HTMLResponse, RedirectResponse, Response
from starlette.routing import Mount, Route
from starlette.staticfiles import StaticFiles

from assistant.errors import Problem
from assistant.files import library
from assistant.language.meaning import number_of
from assistant.record.record import utc_now
from assistant.record.story import Story, printed, story_of
from assistant.review.found_left import as_found_and_left
from assistant.review.report import page as report_page
from assistant.review.report import plots, words
from assistant.review.store.accounts import User
from assistant.review.store.parcel import ODD
from assistant.review.store.store import Store
from assistant.review.timeline import KINDS, moments
from assistant.review.web.crews import due, in_all, weeks
from assistant.review.web.guard import COOKIE, LOOPBACK, SESSION_S, Door, Guard, Headers, Hosts, read_form
from assistant.review.web.limits_now import changed_since
from assistant.review.web.now import Follower
from assistant.review.web.shop import (
    STANDINGS,
    By,
    Kept,
    Listed,
    Measured,
    ReadingFound,
    ReadingSearch,
    Review,
    Search,
    Standing,
    StoreDown,
    worst_first,
)
from assistant.trade.computation import Computation
from assistant.trade.computations import FINDINGS
from assistant.trade.limits import limit_for
from assistant.trade.quantities import Quantity
from assistant.trade.units import UNIT_SYMBOL

PAGE_LENGTH = 50
"""Visits in one list: what a person looks through before searching."""

LONGEST_CSV = 10_000
"""Rows of a table that is taken away."""

PERIODS = (13, 26, 52)
"""Weeks that are looked back, where all crews are counted."""

TREND_WIDTH = 420.0
"""Of a drawing: small enough that its words can be read on a phone."""

LONGEST_COMMENT = 2_000
LONGEST_NAME = 100
_HERE = Path(__file__).parent
Asked = TypeVar("Asked", bound=Search)

SHOWN_OUTCOMES = {
    "outside": "outside its limit",
    "watch": "to watch",
    "within": "within its limit",
    "not judged": "not judged",
    "refused": "read back, and refused",
}

OUTCOMES = {
    "unsafe": "unsafe notice given",
    "outside": "something outside its limit",
    "watch": "something to watch",
    "not checked": "something not checked",
    "unfinished": "not finished",
}


def create_app(
    shop: Store, guard: Guard | None = None, hosts: Sequence[str] = LOOPBACK, follower: Follower | None = None
) -> Starlette:
    """The page over `shop`. hosts: the names by which it may be reached. follower: of the visit that goes on here."""
    view = _View(shop, guard or Guard(), follower)
    now = [Route("/now", view.now), Route("/now/glance", view.glance)] if follower else []
    return Starlette(
        routes=[
            Route("/", view.visits),
            Route("/visit/{visit}", view.visit),
            Route("/visit/{visit}/report", view.report),
            Route("/visit/{visit}/audio/{name}", view.audio),
            Route("/visit/{visit}/review", view.review, methods=["POST"]),
            Route("/appliance/{appliance:path}", view.appliance),
            Route("/readings", view.readings),
            Route("/crews", view.crews),
            Route("/steps", view.steps),
            *now,
            Route("/enter", view.sign_in, methods=["GET"]),
            Route("/enter", view.enter, methods=["POST"]),
            Route("/leave", view.leave, methods=["POST"]),
            Mount("/static", StaticFiles(directory=_HERE / "static"), name="static"),
        ],
        middleware=[
            Middleware(Headers),
            Middleware(Hosts, names=hosts),
            Middleware(Door, guard=view.guard),
        ],
        exception_handlers={
            StoreDown: view.down,
            Problem: view.down,
            HTTPException: view.not_so,
            Exception: view.broken,
        },
    )


class _View:
    """The answers. Those that read are plain functions, which Starlette runs beside its loop."""

    def __init__(self, shop: Store, guard: Guard, follower: Follower | None) -> None:
        self.shop = shop
        self.follower = follower
        self.guard = guard
        self._environment = report_page.environment()
        self._environment.globals.update(w=words, form_key=guard.form_key, follows=follower is not None)

    def _page(self, request: Request, template: str, status: int = 200, **of: Any) -> HTMLResponse:
        admitted, may_leave = getattr(request.state, "admitted", False), bool(request.cookies.get(COOKIE))
        of |= {"user": self._user(request), "admitted": admitted, "may_leave": may_leave}
        made = self._environment.get_template(template).render(of)
        return HTMLResponse(made, status_code=status)

    @staticmethod
    def _user(request: Request) -> User | None:
        user: User | None = getattr(request.state, "user", None)  # what never came to the door has none
        return user

    # --- visits

    def visits(self, request: Request) -> Response:
        """The list, by what is looked for."""
        asked, wrong = _asked(request, Search)
        if _wants_csv(request):
            self.shop.fill()
            return _csv("visits", Listed, self.shop.visits(asked, 0, LONGEST_CSV))
        answer = self._page(
            request,
            "visits.html.j2",
            **self._found(request, asked, self.shop.visits),
            waiting=self.shop.waiting,
            outcomes=OUTCOMES,
            warnings=[*wrong, *self.shop.warnings()],
        )
        if self.shop.waiting:
            answer.headers["Refresh"] = "1"
        return answer

    def readings(self, request: Request) -> Response:
        """The readings of one quantity over all visits, by what is looked for."""
        asked, wrong = _asked(request, ReadingSearch)
        if _wants_csv(request):
            return _csv(asked.quantity or "readings", ReadingFound, self.shop.readings(asked, 0, LONGEST_CSV))
        known: Mapping[str, Quantity | Computation] = {**library().quantities, **FINDINGS}
        told = {
            name: f"{printed(of.spoken)} ({UNIT_SYMBOL.get(of.unit, of.unit)})".removesuffix(" ()")
            for name, of in known.items()
        }
        return self._page(
            request,
            "readings.html.j2",
            **self._found(request, asked, self.shop.readings),
            wrong=wrong,
            quantities=dict(sorted(told.items(), key=lambda each: each[1])),
            outcomes=SHOWN_OUTCOMES,
        )

    def _found(
        self, request: Request, asked: Asked, look: Callable[[Asked, int, int], Sequence[Any]]
    ) -> dict[str, Any]:
        """What is looked for and one page of what was found, as the templates of both lists take them."""
        page = _page_number(request)
        found = look(asked, (page - 1) * PAGE_LENGTH, PAGE_LENGTH + 1)
        more = len(found) > PAGE_LENGTH
        shown = {"asked": asked, "found": found[:PAGE_LENGTH], "more": more, "page": page, "here": request.url}
        return {**shown, "crews": self.shop.crews()}

    def _kept(self, request: Request) -> Kept:
        kept = self.shop.visit(request.path_params["visit"])
        if kept is None:
            raise HTTPException(404, "There is no such visit in this store.")
        return kept

    def visit(self, request: Request, wrong: str = "", typed: Mapping[str, str] | None = None) -> Response:
        """One visit: its time line, its limits then and now, and what was said of it."""
        kept = self._kept(request)
        show = request.query_params.get("show", "")
        common: dict[str, Any] = {"kept": kept, "wrong": wrong, "typed": typed or {}, "status": 422 if wrong else 200}
        try:
            story = story_of(kept.entries)
            return self._page(
                request,
                "visit.html.j2",
                s=story,
                attention=report_page.attention(story),
                lines=as_found_and_left(story),
                show=show if show in KINDS else "all",
                kinds=["all", *KINDS],
                moments=[each for each in moments(kept.entries) if show not in KINDS or show in each.kinds],
                changed=changed_since(story),
                nonce=request.state.nonce,
                **common,
            )
        except (Problem, *ODD) as odd:
            if not kept.problems:
                common["kept"] = replace(kept, problems=[f"It cannot be shown ({odd})."])
            return self._page(request, "broken.html.j2", **common)

    def report(self, request: Request) -> Response:
        """The visit's report, as it prints."""
        kept = self._kept(request)
        try:
            return self._report(kept, story_of(kept.entries))
        except ODD as odd:
            raise Problem(f"This visit has no report: its record is not as a visit writes it ({odd}).") from odd

    def _report(self, kept: Kept, story: Story) -> Response:
        before = [
            plots.Point(words.day(point.utc), point.number)
            for point in self.shop.trends(kept.appliance).get(report_page.FLAME, ())
            if point.utc < story.began and point.number is not None
        ]
        made = report_page.html(story, None, kept.problems, before)
        policy = "default-src 'none'; style-src 'unsafe-inline'; frame-ancestors 'none'"
        return HTMLResponse(made, headers={"Content-Security-Policy": policy})

    def audio(self, request: Request) -> Response:
        """A recording."""
        try:
            data = self.shop.recording(request.path_params["visit"], request.path_params["name"])
        except StoreDown:
            raise
        except Problem as wrong:
            raise HTTPException(409, str(wrong)) from wrong
        if data is None:
            raise HTTPException(404, "That recording is not kept.")
        return Response(data, media_type="audio/flac", headers={"Cache-Control": "private, max-age=3600"})

    async def review(self, request: Request) -> Response:
        """Signs a visit off, returns it or calls it disputed, with a comment: a new entry, never a change."""
        form = await self._form(request)
        user = self._user(request)
        by, comment, standing = (form.get(name, "").strip() for name in ("by", "comment", "standing"))
        by, role = (user.name, user.role) if user else (by, "")
        if user and not user.reviews:
            raise HTTPException(403, "A technician looks at visits, and does not sign them; ask a supervisor.")
        wrong = ""
        if standing not in STANDINGS:
            wrong = "Choose one: sign it off, return it, or call it disputed."
        elif not by:
            wrong = "Give your name."
        elif standing != "signed off" and not comment:
            wrong = "A visit that is returned or disputed needs a comment: say why, and what is to be done."
        elif len(by) > LONGEST_NAME or len(comment) > LONGEST_COMMENT:
            wrong = f"That is too long: a name has at most {LONGEST_NAME} characters, a comment {LONGEST_COMMENT}."
        if wrong:
            return await run_in_threadpool(self.visit, request, wrong, form)
        visit = request.path_params["visit"]
        entries = form.get("entries", "")
        number = int(entries) if entries.isascii() and entries.isdecimal() and len(entries) < 10 else 0
        review = Review(utc_now(), by, cast("Standing", standing), comment, form.get("head", ""), number, role)
        try:
            await run_in_threadpool(self.shop.add_review, visit, review)
        except StoreDown:
            raise
        except Problem as refused:
            return await run_in_threadpool(self.visit, request, str(refused), form)
        return RedirectResponse(f"/visit/{quote(visit, safe='')}#reviews", status_code=303)

    async def _form(self, request: Request) -> dict[str, str]:
        form = await read_form(request)
        if form is None:
            raise HTTPException(413, "That form is too long.")
        if not self.guard.trusts(request, form):
            raise HTTPException(
                403, "This form did not come from this page, or is of an earlier run: load the page again."
            )
        return form

    # --- over many visits

    def appliance(self, request: Request) -> Response:
        """The trends of one appliance."""
        appliance = request.path_params["appliance"]
        trends = self.shop.trends(appliance)
        if not trends:
            raise HTTPException(404, "There is no such appliance in this store.")
        last = max((point for points in trends.values() for point in points), key=lambda point: point.utc)
        kept = self.shop.visit(last.visit)
        story = _readable(kept) if kept else None  # without it the trends have no limits
        return self._page(
            request,
            "appliance.html.j2",
            appliance=appliance,
            story=story,
            trends=[_trend(name, points, story) for name, points in trends.items()],
        )

    def crews(self, request: Request) -> Response:
        """How all crews do: for those who review."""
        if (user := self._user(request)) and not user.reviews:
            raise HTTPException(403, "How the crews do is for supervisors and owners.")
        period, today = _period(request), datetime.now(UTC).date()
        since = _first_day(period, today)
        counts = self.shop.steps("crew", since.isoformat())
        days = self.shop.days(since.isoformat())
        steps = sorted(in_all(counts, "step").values(), key=lambda each: each.step)
        return self._page(
            request,
            "crews.html.j2",
            weeks=weeks(days, since, today),
            people=in_all(days, "crew"),
            technicians=sorted(in_all(counts, "group").values(), key=lambda each: each.group),
            questions=sorted((each for each in steps if each.back), key=lambda each: -each.back),
            skipped=sorted(steps, key=lambda each: -each.skipped),
            due=due(self.shop.meters(since.isoformat()), today),
            period=period,
            periods=PERIODS,
        )

    def steps(self, request: Request) -> Response:
        """Which steps go wrong most."""
        by: By = "microphone" if request.query_params.get("by") == "microphone" else "crew"
        period = _period(request, 52)
        counts = self.shop.steps(by, _first_day(period, datetime.now(UTC).date()).isoformat())
        shown: dict[str, Any] = {
            "by": by,
            "groups": get_args(By),
            "counts": worst_first(counts),
            "period": period,
            "periods": PERIODS,
        }
        return self._page(request, "steps.html.j2", **shown)

    # --- the visit that goes on

    def now(self, request: Request) -> Response:
        """It at a glance, for a screen beside the work."""
        assert self.follower
        return self._page(request, "now.html.j2", g=self.follower.glance())

    def glance(self, request: Request) -> Response:
        """What changes on that screen."""
        assert self.follower
        return self._page(request, "glance.html.j2", g=self.follower.glance())

    # --- the door

    def sign_in(self, request: Request) -> Response:
        """Asks who it is, or for the token. A link is used up only by the button, for programs follow links too."""
        return self._sign_in(request, link=request.query_params.get("link", ""))

    def _sign_in(self, request: Request, wrong: str = "", status: int = 200, link: str = "") -> Response:
        return self._page(request, "enter.html.j2", status=status, wrong=wrong, asks=self.guard.asks, link=link)

    async def enter(self, request: Request) -> Response:
        """Takes a password, a link or the token, once for a browser."""
        form = await self._form(request)
        return await run_in_threadpool(self._enter, request, form)

    def _enter(self, request: Request, form: Mapping[str, str]) -> Response:
        if seconds := self.guard.waits_s():
            return self._sign_in(request, f"There were too many wrong tries; wait {seconds} s, then try again.", 429)
        session = self.guard.enter(form)
        if session is None:
            wrong = "That is not the token. It is where the page was started."
            if self.guard.asks == "password":
                wrong = "That name and password do not fit. Ask for a new link: assistant shop user NAME --link"
            if form.get("link"):
                wrong = "That link was used, or is too old. Ask for a new one: assistant shop user NAME --link"
            return self._sign_in(request, wrong, 403)
        answer = RedirectResponse("/", status_code=303)
        answer.set_cookie(COOKIE, session, max_age=SESSION_S, httponly=True, samesite="strict", path="/")
        return answer

    async def leave(self, request: Request) -> Response:
        """Logs a browser out."""
        await self._form(request)
        self.guard.leave(request)
        answer = RedirectResponse("/enter", status_code=303)
        answer.delete_cookie(COOKIE, path="/")
        return answer

    # --- what does not go well

    async def down(self, request: Request, wrong: Exception) -> Response:
        """The store does not answer, or what it holds cannot be shown: one sentence."""
        return self._page(request, "sentence.html.j2", status=503, title="Not now", sentence=str(wrong))

    async def not_so(self, request: Request, wrong: Exception) -> Response:
        """Something is not there, or not as it must be."""
        assert isinstance(wrong, HTTPException)
        known = {404: "There is no such page.", 405: "That is not done this way."}
        sentence = wrong.detail if wrong.detail not in ("Not Found", "Method Not Allowed") else known[wrong.status_code]
        return self._page(request, "sentence.html.j2", status=wrong.status_code, title="Not here", sentence=sentence)

    async def broken(self, request: Request, wrong: Exception) -> Response:
        """A fault of this program: it is on the terminal, not on the page."""
        sentence = "This page has a fault; what it is stands on the terminal where the page was started."
        return self._page(request, "sentence.html.j2", status=500, title="A fault", sentence=sentence)


def _asked(request: Request, of: type[Asked]) -> tuple[Asked, list[str]]:
    """What is looked for, and what of it cannot be."""
    found: dict[str, Any] = {}
    wrong = []
    for name in (field.name for field in fields(of)):
        value = request.query_params.get(name, "").strip()
        if name in ("below", "above"):
            found[name] = number_of(value)
            if value and found[name] is None:
                wrong.append(f"{name}: {value!r} is no figure; left out.")
        elif value and name in ("since", "until") and not _is_day(value):
            wrong.append(f"{name}: {value!r} is no day; left out.")
        else:
            found[name] = value
    return of(**found), wrong


def _is_day(text: str) -> bool:
    try:
        date.fromisoformat(text)
    except ValueError:
        return False
    return True


def _period(request: Request, usual: int = PERIODS[0]) -> int:
    """How many weeks are looked back."""
    asked = request.query_params.get("weeks", "")
    return next((weeks for weeks in PERIODS if asked == str(weeks)), usual)


def _first_day(period: int, today: date) -> date:
    """The Monday with which so many weeks begin, this one the last."""
    return today - timedelta(weeks=period - 1, days=today.weekday())


def _page_number(request: Request) -> int:
    number = request.query_params.get("page", "1")
    return int(number) if number.isdecimal() and 0 < int(number) < 10_000 else 1


def _wants_csv(request: Request) -> bool:
    return request.query_params.get("as") == "csv"


def _csv(name: str, of: type[Any], rows: Iterable[Any]) -> Response:
    """Rows of a dataclass as CSV. Text that a spreadsheet would take for a formula begins with an apostrophe."""
    out = io.StringIO()
    writer = csv.writer(out)
    columns = [field.name for field in fields(of)]
    writer.writerow(columns)
    for row in rows:
        writer.writerow([_harmless(str(getattr(row, column))) for column in columns])
    headers = {"Content-Disposition": f'attachment; filename="{name}.csv"'}
    return Response(out.getvalue(), media_type="text/csv; charset=utf-8", headers=headers)


def _harmless(text: str) -> str:
    is_formula = text.startswith(("=", "+", "-", "@", "\t", "\r")) and number_of(text) is None
    return f"'{text}" if is_formula else text


def _readable(kept: Kept) -> Story | None:
    """What happened in a visit; None where its record or its rules cannot be read."""
    with suppress(Problem, *ODD):
        story = story_of(kept.entries)
        _ = story.rules
        return story
    return None


def _trend(name: str, points: Sequence[Measured], story: Story | None) -> dict[str, Any]:
    """One quantity over time: for the drawing, and as a table for whoever does not see it."""
    limit = limit_for(name, story.rules.limits, story.rules.job) if story else None
    drawn = [
        plots.Point(
            words.day(point.utc),
            limit.held(number) if limit else number,
            datetime.fromisoformat(point.utc).timestamp(),
        )
        for point in points
        if (number := point.number) is not None
    ]
    units = [point.unit for point in points if point.number is not None]
    unit = UNIT_SYMBOL.get(units[0], units[0]) if units else ""
    title = words.sentence(words.name(story, name)) if story else name
    return {
        "name": title,
        "quantity": name,
        "plain": words.plain_now(name),
        "limit": words.bounds(limit),
        "points": points,
        "drawing": plots.over_visits(drawn, limit, unit, title, TREND_WIDTH) if len(drawn) > 1 else "",
    }
