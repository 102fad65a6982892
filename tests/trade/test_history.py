"""Slopes over earlier visits, and what is too far from the last one."""

from decimal import Decimal

import pytest

from assistant.trade.history import Earlier, is_far, slope
from assistant.trade.judging import Limit, Source

LIMIT = Limit(
    quantity="flame-signal",
    unit="microampere",
    low=Decimal(1),
    high=Decimal(10),
    authority="generic",
    source=Source(mark="common practice", text="invented"),
)


def visits(*values: str, every_days: int = 365) -> list[Earlier]:
    """Earlier visits, the last one `every_days` ago."""
    count = len(values)
    return [
        Earlier(quantity="flame-signal", value=Decimal(v), unit="microampere", days_ago=(count - at) * every_days)
        for at, v in enumerate(values)
    ]


def test_a_straight_fall_is_its_slope_and_meets_the_limit_when_it_should():
    line = slope(visits("4.0", "3.0"), Decimal("2.0"), LIMIT)
    assert line is not None
    assert line.per_year == Decimal("-1")  # 1 a year, to two digits: a year here has 365.25 days
    assert line.years_to_limit == Decimal("1")
    assert line.limit == Decimal(1)


def test_least_squares_agrees_with_a_sum_done_by_hand():
    # x = -3, -2, -1, 0 years of 365 days; y = 8, 7, 5, 4: slope -1.4 a year of 365 days, line at 0: 3.9
    line = slope(visits("8", "7", "5"), Decimal(4), LIMIT)
    assert line is not None
    assert line.per_year == Decimal("-1.4")
    assert line.years_to_limit == Decimal("2.1")  # (3.9 - 1) / 1.4 = 2.07


def test_a_rise_heads_for_the_upper_limit():
    line = slope(visits("2", "4"), Decimal(6), LIMIT)
    assert line is not None
    assert (line.years_to_limit, line.limit) == (Decimal("2"), Decimal(10))


@pytest.mark.parametrize(
    ("values", "today", "every_days"),
    [
        (["4.0"], "2.0", 365),  # two points are no slope
        (["4.0", "3.0"], "2.0", 30),  # two months
        (["4.0", "1.0"], "4.0", 365),  # they scatter
        (["3.0", "3.0"], "3.0", 365),  # level
    ],
)
def test_there_is_no_slope_where_the_points_give_none(values, today, every_days):
    assert slope(visits(*values, every_days=every_days), Decimal(today), LIMIT) is None


def test_far_away_or_past_the_limit_no_time_is_said():
    far = slope(visits("4.02", "4.01"), Decimal("4.00"), LIMIT)
    past = slope(visits("1.2", "1.0"), Decimal("0.8"), LIMIT)
    assert far is not None
    assert past is not None
    assert far.years_to_limit is None
    assert past.years_to_limit is None
    no_limit = slope(visits("3", "2"), Decimal(1), None)
    assert no_limit is not None
    assert no_limit.years_to_limit is None


@pytest.mark.parametrize(
    ("value", "last", "far"),
    [
        ("4.1", "1.3", True),
        ("3.9", "1.3", False),  # three times is not more than three times
        ("0.4", "1.3", True),
        ("1.3", "0", False),
        ("0.08", "0.02", False),  # nearer to zero than ten digits of the meter
        ("-2", "2", True),
    ],
)
def test_what_is_too_far_from_the_last_visit(value, last, far):
    assert is_far(Decimal(value), Decimal(last), Decimal("0.01")) is far
