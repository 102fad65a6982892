"""Which limit counts, and that each names its source."""

from decimal import Decimal

import pytest

from assistant.dialogue.state import Found
from assistant.errors import Problem
from assistant.files import Library, read_limits
from assistant.review.report import words
from assistant.trade.job import PlateValue
from assistant.trade.judging import judge
from assistant.trade.limits import limit_for
from assistant.trade.quantities import Overload
from assistant.wording import english as wording


@pytest.fixture
def limits(shelf):
    return shelf.limits_for("natural gas", "hot surface", "yearly check")


@pytest.fixture
def job(shelf):
    from assistant.files import read_job, top_folder

    return read_job(top_folder("audio_fixtures") / "visits" / "hot-surface.job.yaml")


def test_the_plate_wins_over_the_generic_limit(limits, job):
    limit = limit_for("manifold-pressure", limits, job)
    assert limit.authority == "plate"
    assert (limit.low, limit.high) == (Decimal("3.2"), Decimal("3.8"))
    without = job.model_copy(update={"plate": {}})
    assert limit_for("manifold-pressure", limits, without).authority == "generic"


def test_a_plate_value_in_another_unit_is_converted(limits, job):
    plate = {"manifold-pressure": PlateValue(unit="millibar", value=Decimal("8.7"), tolerance=Decimal("0.7"))}
    limit = limit_for("manifold-pressure", limits, job.model_copy(update={"plate": plate}))
    assert limit.unit == "inH2O"
    assert limit.low == pytest.approx(Decimal("3.212"), abs=Decimal("0.001"))


def test_the_plates_input_is_the_most_that_is_allowed(limits, job):
    limit = limit_for("input-rate", limits, job)
    assert (limit.low, limit.caution_low, limit.high) == (None, 76000, 80000)


@pytest.mark.parametrize(
    ("rate", "said"),
    [
        ("80100", "Input rate is 80100 B T U per hour. Fail, zero point one percent above the plate, plate limit."),
        ("80000", "Input rate is 80000 B T U per hour. Pass, at the plate, plate limit."),
        ("78000", "Input rate is 78000 B T U per hour. Pass, two point five percent below the plate, plate limit."),
        ("76000", "Input rate is 76000 B T U per hour. Pass, five percent below the plate, plate limit."),
        (
            "75900",
            "Input rate is 75900 B T U per hour. Find the cause, five point one percent below the plate, plate limit.",
        ),
        (
            "53000",
            "Input rate is 53000 B T U per hour. Find the cause, three three point eight percent below the plate, "
            "plate limit.",
        ),
    ],
)
def test_how_far_the_input_is_from_the_plate_is_said_and_far_below_asks_for_the_cause(limits, job, rate, said):
    verdict = judge(Decimal(rate), limit_for("input-rate", limits, job))
    assert wording.finding(Found("input-rate", "clock", Decimal(rate), "Btu_per_hour", verdict)) == said


def test_an_input_within_its_range_of_two_stages_is_not_to_watch(limits, job):
    plates = {"input-rate": PlateValue(unit="Btu_per_hour", low=Decimal(40000), high=Decimal(80000))}
    limit = limit_for("input-rate", limits, job.model_copy(update={"plate": plates}))
    assert [judge(Decimal(n), limit).outcome for n in (39000, 45000, 81000)] == ["fail", "pass", "fail"]


@pytest.mark.parametrize("name", ["igniter-resistance", "igniter-current", "temperature-rise", "input-rate"])
def test_without_a_plate_value_where_only_that_counts_nothing_is_judged(limits, job, name):
    limit = limit_for(name, limits, job.model_copy(update={"plate": {}}))
    verdict = judge(Decimal(60), limit)
    assert verdict.outcome == "cannot-judge"
    assert verdict.accepted is None


def test_an_open_igniter_fails_even_without_a_sheet(limits, job):
    limit = limit_for("igniter-resistance", limits, job.model_copy(update={"plate": {}}))
    assert judge(Overload.OPEN, limit).outcome == "fail"


@pytest.mark.parametrize("name", ["trial-for-ignition", "main-light-time"])
@pytest.mark.parametrize(
    ("plate", "high", "authority"),
    [({"value": 7}, 4, "generic"), ({"low": 4, "high": 21}, 4, "generic"), ({"value": 3}, 3, "plate")],
)
def test_a_controls_trial_is_no_allowance_for_late_lighting(limits, job, name, plate, high, authority):
    plates = {name: PlateValue(unit="second", **plate)}
    limit = limit_for(name, limits, job.model_copy(update={"plate": plates}))
    assert (limit.low, limit.high, limit.authority, limit.guarded) == (None, high, authority, True)
    assert judge(Decimal("4.1"), limit).outcome == "fail"
    assert limit.forbids.acts == LIGHTING


@pytest.mark.parametrize("set_point", [{"value": "0.60"}, {"low": "0.60"}, {"value": "-0.60"}, {"low": "-0.60"}])
def test_the_suction_at_the_pressure_switch_is_held_against_its_set_point_whatever_the_sign(limits, job, set_point):
    plates = {"pressure-switch-pressure": PlateValue(unit="inH2O", **{k: Decimal(v) for k, v in set_point.items()})}
    limit = limit_for("pressure-switch-pressure", limits, job.model_copy(update={"plate": plates}))
    assert (limit.low, limit.high) == (Decimal("0.60"), None)
    for value, outcome in (("-0.85", "pass"), ("0.85", "pass"), ("-0.55", "fail"), ("0.55", "fail")):
        assert judge(Decimal(value), limit).outcome == outcome
    weak = Decimal("-0.55")
    assert judge(weak, limit).forbids(weak) == LEAVING
    assert wording.verdict(judge(weak, limit), weak) == "Fail, weaker than zero point six zero, plate limit."


@pytest.mark.parametrize(
    ("plate", "value", "said"),
    [
        (None, "-0.08", "Fail, stronger than zero point zero four, generic limit."),
        (None, "-0.005", "Fail, weaker than zero point zero one, generic limit."),
        (None, "0.02", "Fail, weaker than zero point zero one, generic limit."),
        (None, "-0.015", "Caution, weaker than zero point zero two, generic limit."),
        (None, "-0.03", "Pass, generic limit."),
        ({"low": "-0.06", "high": "-0.03"}, "-0.05", "Pass, plate limit."),
        ({"low": "0.03", "high": "0.06"}, "-0.05", "Pass, plate limit."),
        ({"value": "-0.05", "tolerance": "0.01"}, "-0.035", "Fail, weaker than zero point zero four, plate limit."),
    ],
)
def test_more_negative_draft_is_stronger(limits, job, plate, value, said):
    plates = {"draft": PlateValue(unit="inH2O", **{k: Decimal(v) for k, v in plate.items()})} if plate else {}
    limit = limit_for("draft", limits, job.model_copy(update={"plate": plates}))
    assert wording.verdict(judge(Decimal(value), limit), Decimal(value)) == said


def test_what_is_said_of_a_limit_of_strength(limits, job):
    said = wording.limit(limit_for("draft", limits, job))
    assert said.startswith(
        "Generic limit, from zero point zero one to zero point zero four inches of water of suction, "
        "caution weaker than zero point zero two."
    ), said


def test_what_is_written_of_a_limit_of_strength(limits, job):
    limit = limit_for("draft", limits, job)
    assert words.bounds(limit) == "0.01 to 0.04 inH2O of suction; watch weaker than 0.02"
    assert limit.held(Decimal("-0.03")) == Decimal("0.03")


def test_a_quantity_without_a_limit_is_noted(limits, job):
    assert limit_for("heating-value", limits, job) is None
    assert judge(Decimal(28), None).outcome == "noted"


def test_flue_co_is_noted_below_its_limit_and_forbids_from_there_on(limits, job):
    limit = limit_for("flue-co", limits, job)
    below = judge(Decimal(28), limit)
    assert (below.outcome, below.accepted, below.forbids(Decimal(28))) == ("noted", None, ())
    assert judge(Decimal(400), limit).forbids(Decimal(400)) == LIGHTING
    assert judge(Overload.OVER_RANGE, limit).forbids(Overload.OVER_RANGE) == LIGHTING


def test_every_limit_belongs_to_something_and_names_its_source(shelf):
    from assistant.trade.computations import FINDINGS

    for name, limit in ((name, limit) for name, limits in shelf.limits.items() for limit in limits):
        assert name in shelf.quantities or name in FINDINGS
        asked = shelf.quantities[name].unit if name in shelf.quantities else FINDINGS[name].unit
        assert limit.unit == asked, name
        assert limit.source.mark in ("published", "common practice", "from memory, verify")


def test_carbon_monoxide_above_a_hundred_is_never_a_pass(limits, job):
    limit = limit_for("co-air-free", limits, job)
    assert judge(Decimal(100), limit).outcome == "pass"
    assert judge(Decimal(101), limit).outcome == "caution"
    assert judge(Decimal(401), limit).outcome == "fail"
    assert limit.caution_means == "find the cause"


def test_no_limit_lacks_source_authority_or_mark(shelf):
    for name, each in shelf.limits.items():
        for limit in each:
            assert limit.authority in ("plate", "code", "supplier", "generic"), name
            assert limit.source.mark in ("published", "common practice", "from memory, verify"), name
            if limit.source.mark == "published":
                assert len(limit.source.text) > 20, name
            bounds = (limit.low, limit.high, limit.caution_low, limit.caution_high)
            assert limit.plate_only or limit.wants_open or any(bound is not None for bound in bounds), name
    for hazard in shelf.hazards.values():
        assert hazard.source.mark


def test_of_several_limits_the_first_that_holds_counts(shelf):
    gas = shelf.limits_for("natural gas", "standing pilot", "no heat")
    lp = shelf.limits_for("LP", "standing pilot", "no heat")
    assert (gas["manifold-pressure"].high, lp["manifold-pressure"].high) == (Decimal("3.8"), Decimal("10.3"))


NOTED = ("trial-manifold-pressure",)  # by design: it tells whether gas came, and no figure of it is right or wrong


def test_whatever_a_procedure_measures_has_a_limit_or_a_finding_that_has(shelf):
    from assistant.trade.computations import FINDINGS

    for procedure in shelf.procedures.values():
        limits = shelf.limits_for(procedure.fuel, procedure.ignition, procedure.visit)
        through = {name for finding in FINDINGS for name in FINDINGS[finding].readings if finding in limits}
        for step in procedure.steps:
            for name in step.quantities:
                assert name in limits or name in through or name in NOTED, (procedure.name, name)


@pytest.mark.parametrize("name", ["igniter-resistance", "igniter-voltage", "igniter-current", "thermopile-millivolts"])
def test_an_igniter_or_thermopile_without_its_sheet_cannot_be_judged(shelf, name):
    for limit in shelf.limits[name]:
        assert limit.plate_only
        assert judge(Decimal(120), limit.with_plate(None)).outcome == "cannot-judge"


# --- what a reading that does not meet its limit forbids

LIGHTING = ("lighting", "running", "leaving on")
ALL = ("gas on", *LIGHTING)
LEAVING = ("leaving on",)


@pytest.mark.parametrize(
    ("name", "value", "acts"),
    [
        ("ambient-co", "29", ()),
        ("ambient-co", "30", LIGHTING),
        ("ambient-co", "80", LIGHTING),
        ("combustible-gas", "9", ()),
        ("combustible-gas", "10", ALL),
        ("line-voltage", "101", LIGHTING),
        ("line-voltage", "104", ()),
        ("line-voltage", "133", LIGHTING),
        ("neutral-to-ground", "5", ()),
        ("neutral-to-ground", "5.1", LIGHTING),
        ("ground-resistance", "10.1", LIGHTING),
        ("ground-resistance", Overload.OPEN, LIGHTING),
        ("burner-ground-resistance", Overload.OPEN, LIGHTING),
        ("limit-switch-resistance", Overload.OPEN, LIGHTING),
        ("limit-switch-resistance", "0.3", ()),
        ("rollout-switch-resistance", Overload.OPEN, LIGHTING),
        ("pressure-switch-resistance", "0.3", LIGHTING),
        ("pressure-switch-resistance", Overload.OPEN, ()),
        ("inlet-pressure", "10.6", ()),
        ("inlet-pressure", "14.1", LIGHTING),
        ("inlet-pressure", Overload.OVER_RANGE, LIGHTING),
        ("inlet-pressure", "3", ()),
        ("inlet-pressure-running", "14", ()),
        ("inlet-pressure-running", "14.1", LIGHTING),
        ("manifold-pressure", "3.9", LEAVING),
        ("manifold-pressure", "3.1", LEAVING),
        ("flame-signal", "0.9", LEAVING),
        ("flame-signal", "1.2", ()),
        ("trial-for-ignition", "4.1", LIGHTING),
        ("main-light-time", "4.1", LIGHTING),
        ("pilot-trial-time", "91", LIGHTING),
        ("flame-failure-response", "9", LIGHTING),
        ("safe-shut-down-time", "181", LIGHTING),
        ("ignition-trials", "6", LEAVING),
        ("co-air-free", "401", LIGHTING),
        ("igniter-to-ground", "500", LIGHTING),
        ("transformer-voltage", "31", LEAVING),
        ("static-pressure", "0.9", ()),
    ],
)
def test_what_a_reading_forbids(shelf, name, value, acts):
    limit = shelf.limits_for("natural gas", "direct spark", "yearly check")[name]
    value = value if isinstance(value, Overload) else Decimal(value)
    assert judge(value, limit).forbids(value) == acts


@pytest.mark.parametrize(
    ("name", "value", "acts"),
    [
        ("manifold-pressure", "3.9", LEAVING),
        ("input-rate", "81000", LEAVING),
        ("input-rate", "79000", ()),
        ("igniter-resistance", "30", ()),
        ("temperature-rise", "90", ()),
    ],
)
def test_a_value_of_the_plate_forbids_as_the_generic_one_does(limits, job, name, value, acts):
    assert judge(Decimal(value), limit_for(name, limits, job)).forbids(Decimal(value)) == acts


def test_a_guarded_limit_forbids_leaving_on_at_any_value_that_does_not_meet_it(shelf):
    guarded = [limit for each in shelf.limits.values() for limit in each if limit.guarded]
    assert len(guarded) >= 15
    for limit in guarded:
        assert limit.forbids is not None, limit.quantity
        assert "leaving on" in limit.forbids.acts, limit.quantity
        assert limit.forbids.above is limit.forbids.below is None, limit.quantity


def test_limits_of_one_name_forbid_the_same(shelf):
    """A shop's own limit of that name keeps it, whatever it is for."""
    for name, each in shelf.limits.items():
        assert len({limit.forbids for limit in each}) == 1, name


@pytest.fixture
def shop(tmp_path):
    """The library of a shop with a limits.yaml of this text."""

    def of(text: str) -> Library:
        (tmp_path / "limits.yaml").write_text(text, encoding="utf-8")
        return Library(tmp_path)

    return of


OWN = "manifold-pressure: {{unit: inH2O, high: 3.7, authority: code, source: {{mark: common practice}}{more}}}\n"


def test_a_shops_limit_that_does_not_say_what_it_forbids_keeps_what_is_shipped(shop, tmp_path, job):
    (own,) = shop(OWN.format(more="")).limits["manifold-pressure"]
    assert (own.high, own.forbids.acts) == (Decimal("3.7"), LEAVING)
    assert read_limits(tmp_path / "limits.yaml", job)["manifold-pressure"].forbids.acts == LEAVING


def test_a_shops_limit_may_forbid_more_and_never_less(shop):
    more = ", forbids: {acts: [lighting, running, leaving on]}"
    (own,) = shop(OWN.format(more=more)).limits["manifold-pressure"]
    assert own.forbids.acts == LIGHTING
    for less in (", forbids: null", ", forbids: {acts: [leaving on], above: 5}"):
        with pytest.raises(Problem, match=r"limits.yaml, line 1, .*manifold-pressure: forbids is weaker"):
            _ = shop(OWN.format(more=less)).limits


def test_what_is_said_of_a_limit_whose_bound_is_itself_outside(limits, job):
    said = wording.limit(limit_for("ambient-co", limits, job))
    assert said == "Generic limit, below three zero parts per million, caution from nine. Source, from memory, verify."


# --- what the data says of quantities beside their limits


def test_what_can_only_be_read_while_the_burner_lights_or_runs(shelf):
    of = {name: quantity.burner for name, quantity in shelf.quantities.items() if quantity.burner}
    lights = {"trial-for-ignition", "pilot-trial-time", "main-light-time", "trial-manifold-pressure"}
    assert {name for name, burner in of.items() if burner == "lights"} == lights
    assert {name for name, burner in of.items() if burner == "runs"} == {
        *("flame-signal", "manifold-pressure", "inlet-pressure-running", "meter-dial-seconds", "supply-temperature"),
        *("temperature-rise", "flue-temperature", "flue-oxygen", "flue-co", "blower-on-time"),
        "flame-failure-response",
    }


def test_only_carbon_monoxide_of_the_flue_must_not_rise(shelf):
    from assistant.trade.computations import FINDINGS

    assert [name for name, quantity in shelf.quantities.items() if quantity.must_not_rise] == ["flue-co"]
    assert [name for name, finding in FINDINGS.items() if finding.must_not_rise] == ["co-air-free"]


@pytest.mark.parametrize(
    ("name", "words", "value"),
    [
        ("post-purge-time", "post purge fifteen seconds", 15),
        ("inter-purge-time", "purge between tries thirty seconds", 30),
        ("trial-manifold-pressure", "trial manifold three point five inches", Decimal("3.5")),
        ("pre-purge-time", "purge fifteen seconds", 15),
        ("manifold-pressure", "manifold three point five inches", Decimal("3.5")),
    ],
)
def test_a_new_quantity_can_be_named_with_its_reading(language, ask, name, words, value):
    assert language.understand(words, ask(name)).value == value
    ((named, reading),) = language.understand(words, ask("line-voltage")).entries
    assert (named, reading.value) == (name, value)
