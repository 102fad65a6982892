"""What the screen beside the work is told, without a browser."""

from __future__ import annotations

from typing import get_args

import pytest

from assistant.errors import Problem
from assistant.record.record import Record, seal_of
from assistant.review.web.now import SHAPES, Follower
from assistant.session.now import Moment
from assistant.trade.judging import Outcome


def following(folder, **moment) -> Follower:
    """Follows what is told here; `moment` may be changed by `told`."""
    follower = Follower(folder, lambda _: follower.told)
    follower.told = Moment(**{"doing": "listening", "says": "", "record": "", "age_s": 0.0, **moment})
    return follower


def test_before_there_is_a_record_what_is_said_is_shown(tmp_path):
    shown = following(tmp_path, says="Natural gas, or L P?").glance()
    assert (shown.hears, shown.says, shown.step, shown.last) == ("listening", "Natural gas, or L P?", "", None)


def test_every_verdict_has_a_shape_and_a_pass_and_a_fail_have_their_own():
    assert set(SHAPES) == set(get_args(Outcome))
    assert [name for name, shape in SHAPES.items() if shape == "circle"] == ["pass"]
    assert {"fail", "conditional-fail"} == {name for name, shape in SHAPES.items() if shape == "octagon"}


def test_a_closed_visit_is_shown_as_over(visits):
    shown = following(visits, record=str(visits / "lane-2026" / "visit.sqlite"), doing="over").glance()
    assert (shown.hears, shown.why, shown.step) == ("not listening", "The visit is closed.", "")
    assert shown.last is not None
    assert shown.invented


def test_a_record_that_is_gone_leaves_what_the_visit_says_of_itself(tmp_path):
    shown = following(tmp_path, record=str(tmp_path / "visit.sqlite"), says="Read the ambient C O.").glance()
    assert (shown.hears, shown.says) == ("listening", "Read the ambient C O.")
    assert shown.why


def test_from_the_end_of_the_run_until_the_seal_the_record_is_left_alone(folder, monkeypatch):
    path = folder / "lane-2026" / "visit.sqlite"
    follower = following(folder, record=str(path))
    before = follower.glance()
    opened = []
    real = Record.open

    def noted(*given, **more):
        opened.append(given)
        return real(*given, **more)

    monkeypatch.setattr(Record, "open", noted)
    follower.told = Moment("over", "", str(path), 0.0)
    assert follower.glance().last == before.last
    assert opened == []
    seal_of(path).write_text("", encoding="utf-8")
    follower.glance()
    assert len(opened) == 1


def test_only_what_was_added_is_read(visits):
    with Record.open(visits / "lane-2026" / "visit.sqlite", read_only=True) as record:
        everything = list(record.entries())
        assert list(record.entries(after=7)) == everything[7:]
        assert list(record.entries(after=len(everything))) == []


def test_a_file_that_is_no_record_is_told(tmp_path):
    (tmp_path / "visit.sqlite").write_bytes(b"nothing")
    with pytest.raises(Problem):
        Record.open(tmp_path / "visit.sqlite", read_only=True)
    assert "not a visit record" in following(tmp_path, record=str(tmp_path / "visit.sqlite")).glance().why
