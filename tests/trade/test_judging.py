"""Verdicts: the four states, caution, guarded limits, open circuits, unknown limits."""

from decimal import Decimal
from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic import ValidationError

from assistant.trade.judging import (
    OPEN,
    OVER_RANGE,
    Forbids,
    Limit,
    MeterAccuracy,
    Source,
    Verdict,
    judge,
    meter_uncertainty,
)

D = Decimal

# The limits of this module are made up to exercise the rule; none is a limit of the trade.
MADE_UP = Source(mark="common practice", text="made up for a test")


def limit(unit="volt", **fields):
    fields = {"quantity": "test quantity", "authority": "generic", "source": MADE_UP, "unit": unit} | fields
    return Limit(**fields)


UPPER = limit(high=D(100))
LOWER = limit(low=D(10))
BOTH = limit(low=D(10), high=D(100))


@pytest.mark.parametrize(
    ("value", "uncertainty", "outcome"),
    [
        # upper limit 100, U = 2: the edges of each state, both sides
        ("98", "2", "pass"),
        ("98.001", "2", "conditional-pass"),
        ("100", "2", "conditional-pass"),
        ("100.001", "2", "conditional-fail"),
        ("102", "2", "conditional-fail"),
        ("102.001", "2", "fail"),
        # no uncertainty: the limit divides
        ("100", None, "pass"),
        ("100.001", None, "fail"),
        # a perfect meter: the same
        ("100", "0", "pass"),
        ("100.001", "0", "fail"),
    ],
)
def test_upper_limit(value, uncertainty, outcome):
    u = None if uncertainty is None else D(uncertainty)
    assert judge(D(value), UPPER, u).outcome == outcome
    # mirrored: the same distance inside a lower limit
    assert judge(110 - D(value), LOWER, u).outcome == outcome


@pytest.mark.parametrize(
    ("value", "outcome"),
    [
        ("50", "pass"),
        ("11", "conditional-pass"),
        ("9", "conditional-fail"),
        ("7", "fail"),
        ("99", "conditional-pass"),
        ("101", "conditional-fail"),
        ("103", "fail"),
    ],
)
def test_two_sided_the_worse_state_counts(value, outcome):
    assert judge(D(value), BOTH, D(2)).outcome == outcome


def test_uncertainty_wider_than_the_limits_never_passes_outright():
    narrow = limit(low=D("3.2"), high=D("3.8"))
    assert judge(D("3.5"), narrow, D(1)).outcome == "conditional-pass"
    assert judge(D("4.0"), narrow, D(1)).outcome == "conditional-fail"


ORDER = ["pass", "conditional-pass", "conditional-fail", "fail"]
values = st.decimals(min_value=-50, max_value=200, places=2)
uncertainties = st.decimals(min_value=0, max_value=30, places=2)


@given(st.lists(values, min_size=2, max_size=8), uncertainties)
def test_further_out_is_never_better(several, u):
    outcomes = [ORDER.index(judge(v, UPPER, u).outcome) for v in sorted(several)]
    assert all(a <= b for a, b in pairwise(outcomes))


@given(values, uncertainties)
def test_states_as_the_standard_writes_them(y, u):
    tl = D(100)
    if y <= tl - u:
        expected = "pass"
    elif y <= tl:
        expected = "conditional-pass"
    elif y <= tl + u:
        expected = "conditional-fail"
    else:
        expected = "fail"
    assert judge(y, UPPER, u).outcome == expected


@given(values, uncertainties)
def test_knowing_the_meter_never_turns_an_outright_fail_into_an_outright_pass(y, u):
    with_u, without = judge(y, BOTH, u), judge(y, BOTH)
    assert (without.outcome == "pass") == (with_u.outcome in ("pass", "conditional-pass"))


WATCHED = limit(unit="microampere", low=D("1.0"), caution_low=D("1.5"))


@pytest.mark.parametrize(
    ("value", "uncertainty", "outcome"),
    [
        ("1.5", None, "pass"),
        ("1.49", None, "caution"),
        ("1.0", None, "caution"),
        ("0.99", None, "fail"),
        ("1.3", "0.36", "caution"),  # a conditional pass in the zone to watch
        ("0.9", "0.36", "conditional-fail"),  # caution never softens a fail
        ("0.5", "0.36", "fail"),
    ],
)
def test_caution_zone(value, uncertainty, outcome):
    verdict = judge(D(value), WATCHED, None if uncertainty is None else D(uncertainty))
    assert verdict.outcome == outcome
    assert verdict.accepted is (outcome in ("pass", "caution"))


def test_caution_above():
    co = limit(unit="ppm", high=D(400), caution_high=D(100))
    assert judge(D(100), co).outcome == "pass"
    assert judge(D(101), co).outcome == "caution"
    assert judge(D(401), co).outcome == "fail"
    assert "watch above 100 ppm" in judge(D(101), co).reason


def test_a_limit_may_have_only_a_zone_to_watch():
    watch_only = limit(unit="ppm", caution_high=D(9))
    assert judge(D(9), watch_only).outcome == "pass"
    assert judge(D(5000), watch_only).outcome == "caution"


def test_guarded_conditional_pass_is_named_so_and_not_accepted():
    guarded, plain = limit(high=D(400), guarded=True), limit(high=D(400))
    assert judge(D("390.9"), guarded, D("23.5")).outcome == "conditional-pass"
    assert judge(D("390.9"), guarded, D("23.5")).accepted is False
    assert judge(D("390.9"), plain, D("23.5")).accepted is True
    assert judge(D(370), guarded, D("23.5")).accepted is True


def test_a_guarded_conditional_pass_does_not_become_an_accepted_caution():
    guarded = limit(unit="ppm", high=D(400), caution_high=D(100), guarded=True)
    verdict = judge(D("390.9"), guarded, D("23.5"))
    assert (verdict.outcome, verdict.accepted) == ("conditional-pass", False)
    assert judge(D(200), guarded, D("23.5")).outcome == "caution"


@given(values, st.none() | uncertainties, st.booleans())
def test_no_fail_is_ever_accepted(y, u, guarded):
    verdict = judge(y, limit(low=D(10), high=D(100), caution_high=D(50), guarded=guarded), u)
    if y < 10 or y > 100:
        assert verdict.accepted is False


@pytest.mark.parametrize(("at", "outcome"), [("9.99", "pass"), ("10", "fail"), ("10.01", "fail")])
def test_exclusive_bound_is_itself_outside(at, outcome):
    assert judge(D(at), limit(high=D(10), exclusive=True)).outcome == outcome
    assert judge(20 - D(at), limit(low=D(10), exclusive=True)).outcome == outcome


def test_exclusive_holds_for_caution_and_for_the_four_states():
    strict = limit(high=D(70), caution_high=D(9), exclusive=True)
    assert judge(D(9), strict).outcome == "caution"
    assert "at or above 9 V" in judge(D(9), strict).reason
    assert judge(D(70), strict, D(2)).outcome == "conditional-fail"


def test_only_the_bound_that_is_named_is_itself_outside():
    named = limit(unit="millivolt", caution_low=D(1), high=D(6), exclusive=["high"])
    for value, outcome in (("0.9", "caution"), ("1", "pass"), ("5.9", "pass"), ("6", "fail")):
        assert judge(D(value), named).outcome == outcome
    assert Limit.model_validate_json(named.model_dump_json()) == named


ROD_TO_GROUND = limit(unit="ohm", wants_open=True)
WINDING_TO_GROUND = limit(unit="megaohm", wants_open=True, low=D(1))


@pytest.mark.parametrize(
    ("value", "held_against", "outcome"),
    [
        (OPEN, limit(unit="ohm", high=D(90)), "fail"),
        (OPEN, limit(unit="ohm", low=D(40), high=D(90)), "fail"),
        (OPEN, limit(unit="ohm", high=D(90), caution_high=D(80)), "fail"),
        (OPEN, limit(unit="ohm", low=D(40)), "pass"),
        (OPEN, limit(unit="ohm", caution_high=D(80)), "caution"),
        (OPEN, ROD_TO_GROUND, "pass"),
        (OPEN, WINDING_TO_GROUND, "pass"),
        (D(100000), ROD_TO_GROUND, "fail"),
        (D("0.9"), WINDING_TO_GROUND, "fail"),
        (D("1.0"), WINDING_TO_GROUND, "pass"),
        (OPEN, limit(unit="volt", high=D(132)), "fail"),
        (OPEN, limit(unit="millivolt", low=D(18)), "cannot-judge"),  # OL on mV is no healthy thermocouple
        (OPEN, limit(unit="ohm"), "cannot-judge"),
        (OPEN, None, "noted"),
        (OVER_RANGE, limit(unit="ohm", low=D(1)), "cannot-judge"),
        (OVER_RANGE, limit(unit="ohm", high=D(90)), "cannot-judge"),
        (OVER_RANGE, ROD_TO_GROUND, "cannot-judge"),
        (OVER_RANGE, None, "cannot-judge"),
    ],
)
def test_a_meter_that_shows_no_number(value, held_against, outcome):
    verdict = judge(value, held_against)
    assert verdict.outcome == outcome
    if value is OVER_RANGE:
        assert verdict.reason.endswith("take it again on a higher range")
        assert verdict.accepted is None


def test_no_limit_is_noted_and_an_unknown_one_cannot_judge():
    noted = judge(D("3.9"), None)
    assert (noted.outcome, noted.accepted) == ("noted", None)
    unknown = judge(D("3.9"), limit(authority="plate"))
    assert (unknown.outcome, unknown.accepted) == ("cannot-judge", None)
    assert unknown.reason == "no plate value is known"


def test_a_verdict_says_by_which_rule():
    assert judge(D(50), UPPER).decision_rule.startswith("simple acceptance")
    assert judge(D(50), UPPER, D("0.3612")).decision_rule.endswith("4.2.3), guard band w = U = 0.36 V")
    assert judge(D(50), None).decision_rule == ""


def test_a_verdict_says_why_in_the_limits_unit():
    assert judge(D("4.1"), limit(unit="inH2O", high=D("3.8"))).reason == "outside the upper limit of 3.8 inH2O"
    near = judge(D("1.1"), limit(unit="microampere", low=D("1.0")), D("0.36")).reason
    assert near == "within the lower limit of 1.0 µA by less than the uncertainty"


@pytest.mark.parametrize("value", [D("NaN"), D("Infinity")])
def test_a_reading_that_is_no_number_is_an_error(value):
    with pytest.raises(ValueError, match="finite number"):
        judge(value, UPPER)


@pytest.mark.parametrize("u", ["-0.1", "NaN", "Infinity"])
def test_an_impossible_uncertainty_is_an_error(u):
    with pytest.raises(ValueError, match="zero or more"):
        judge(D(50), UPPER, D(u))


@pytest.mark.parametrize(
    ("fields", "says"),
    [
        ({"unit": "pa"}, "not a known unit"),
        ({"low": 5, "high": 4}, "not in order"),
        ({"low": 5, "caution_low": 4}, "not in order"),
        ({"high": 5, "caution_high": 6}, "not in order"),
        ({"unit": "ohm", "wants_open": True, "high": 5}, "cannot have an upper bound"),
        ({"unit": "volt", "wants_open": True}, "not in ohms"),
        ({"high": D("NaN")}, "finite"),
        ({"upper": 5}, "Extra inputs"),
        ({"authority": "somebody"}, "plate"),
        ({"source": {"mark": "published", "text": " "}}, "must name its title"),
        ({"source": {"mark": "hearsay"}}, "common practice"),
    ],
)
def test_a_limit_that_makes_no_sense_is_refused(fields, says):
    with pytest.raises(ValidationError, match=says):
        limit(**fields)


def test_bounds_from_a_data_file_keep_their_decimals():
    read = Limit.model_validate(
        {
            "quantity": "manifold pressure",
            "unit": "inH2O",
            "low": 3.2,
            "high": "3.80",
            "authority": "generic",
            "source": {"mark": "common practice"},
        }
    )
    assert (str(read.low), str(read.high)) == ("3.2", "3.80")
    assert Limit.model_validate_json(read.model_dump_json()) == read


def test_limits_and_verdicts_cannot_be_changed():
    with pytest.raises(ValidationError):
        UPPER.high = D(200)
    with pytest.raises(AttributeError):
        judge(D(1), UPPER).outcome = "pass"


def test_meter_accuracy():
    meter = MeterAccuracy(percent_of_reading=D(1), counts=D(3), resolution=D("0.1"), unit="volt")
    assert meter.expanded_uncertainty(D("120.4")) == meter_uncertainty(D("120.4"), D(1), D(3), D("0.1"))
    with pytest.raises(ValidationError):
        MeterAccuracy(percent_of_reading=D(1), counts=D(3), resolution=D(0), unit="volt")
    with pytest.raises(ValidationError):
        MeterAccuracy(percent_of_reading=D(1), counts=D(3), resolution=D("0.1"), unit="pa")


def test_a_verdict_without_a_limit_never_accepts_a_conditional_pass():
    assert Verdict("conditional-pass", None, None, "", "").accepted is False


LIGHTING = ("lighting", "running", "leaving on")


@pytest.mark.parametrize("acts", [(), ("lighting",), ("gas on", "lighting", "leaving on"), ("running",)])
def test_what_forbids_an_act_forbids_those_after_it(acts):
    with pytest.raises(ValidationError):
        Forbids(acts=acts)


@pytest.mark.parametrize(
    ("fields", "other", "covers"),
    [
        ({"acts": LIGHTING}, {"acts": ("leaving on",)}, True),
        ({"acts": ("leaving on",)}, {"acts": LIGHTING}, False),
        ({"acts": LIGHTING}, {"acts": LIGHTING, "above": D(14)}, True),
        ({"acts": LIGHTING, "above": D(14)}, {"acts": LIGHTING}, False),
        ({"acts": LIGHTING, "above": D(13)}, {"acts": LIGHTING, "above": D(14)}, True),
        ({"acts": LIGHTING, "above": D(15)}, {"acts": LIGHTING, "above": D(14)}, False),
        ({"acts": LIGHTING, "below": D(2)}, {"acts": LIGHTING, "below": D(1)}, True),
        ({"acts": LIGHTING, "below": D(1)}, {"acts": LIGHTING, "below": D(2)}, False),
        ({"acts": LIGHTING, "above": D(14)}, {"acts": LIGHTING, "above": D(14), "below": D(1)}, False),
    ],
)
def test_what_forbids_more_covers_what_forbids_less(fields, other, covers):
    assert Forbids(**fields).covers(Forbids(**other)) is covers


SUCTION = limit(unit="inH2O", low=D("0.01"), caution_low=D("0.02"), high=D("0.04"), strength="suction")
MAGNITUDE = limit(unit="inH2O", low=D("0.60"), strength="magnitude")


@pytest.mark.parametrize(
    ("held_against", "value", "uncertainty", "outcome", "reason"),
    [
        (MAGNITUDE, "-0.85", None, "pass", "within the limit"),
        (MAGNITUDE, "0.85", None, "pass", "within the limit"),
        (MAGNITUDE, "-0.55", None, "fail", "too weak: outside the limit of 0.60 inH2O"),
        (MAGNITUDE, "0.55", None, "fail", "too weak: outside the limit of 0.60 inH2O"),
        (
            MAGNITUDE,
            "-0.65",
            "0.1",
            "conditional-pass",
            "nearly too weak: within the limit of 0.60 inH2O by less than ",
        ),
        (MAGNITUDE, "-0.55", "0.1", "conditional-fail", "too weak: outside the limit of 0.60 inH2O by less than "),
        (SUCTION, "-0.03", None, "pass", "within the limit"),
        (SUCTION, "-0.04", None, "pass", "within the limit"),
        (SUCTION, "-0.08", None, "fail", "too strong: outside the limit of 0.04 inH2O"),
        (SUCTION, "-0.005", None, "fail", "too weak: outside the limit of 0.01 inH2O"),
        (SUCTION, "0.03", None, "fail", "too weak: outside the limit of 0.01 inH2O"),  # it blows out
        (SUCTION, "-0.015", None, "caution", "watch weaker than 0.02 inH2O"),
    ],
)
def test_a_strength_is_judged_by_how_strong_it_is(held_against, value, uncertainty, outcome, reason):
    verdict = judge(D(value), held_against, uncertainty and D(uncertainty))
    assert verdict.outcome == outcome
    assert verdict.reason.startswith(reason)


def test_what_a_strength_forbids_goes_by_how_strong_it_is():
    weak = SUCTION.model_copy(update={"forbids": Forbids(acts=("leaving on",), below=D("0.01"))})
    for value, acts in (("-0.005", ("leaving on",)), ("0.03", ("leaving on",)), ("-0.08", ()), ("-0.03", ())):
        assert judge(D(value), weak).forbids(D(value)) == acts


@pytest.mark.parametrize(
    ("value", "uncertainty", "outcome", "reason"),
    [
        ("78000", None, "pass", "within the limit; 2.5 % below 80000 Btu/h"),
        ("78000", "2000", "pass", "within the limit; 2.5 % below 80000 Btu/h"),
        ("80000", "2000", "pass", "within the limit; 0.0 % below 80000 Btu/h"),
        ("81000", "2000", "fail", "outside the upper limit of 80000 Btu/h; 1.2 % above 80000 Btu/h"),
        ("53000", None, "caution", "watch below 76000 Btu/h; 33.8 % below 80000 Btu/h"),
    ],
)
def test_a_limit_with_a_margin_divides_by_itself_and_tells_how_far_it_is(value, uncertainty, outcome, reason):
    plate = limit("Btu_per_hour", high=D(80000), caution_low=D(76000), simple=True, tells_percent=True, guarded=True)
    verdict = judge(D(value), plate, uncertainty and D(uncertainty))
    assert (verdict.outcome, verdict.reason) == (outcome, reason)
    assert verdict.decision_rule == "simple acceptance (ILAC-G8:09/2019, 4.2.1): there is a margin in the limit already"
