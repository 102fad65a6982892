"""Which limit counts, and that each names its source."""

from decimal import Decimal

import pytest

from assistant.trade.job import PlateValue
from assistant.trade.judging import judge
from assistant.trade.limits import limit_for
from assistant.trade.quantities import Overload


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
    assert (limit.low, limit.high) == (None, Decimal(80000))


@pytest.mark.parametrize("name", ["igniter-resistance", "igniter-current", "temperature-rise", "input-rate"])
def test_without_a_plate_value_where_only_that_counts_nothing_is_judged(limits, job, name):
    limit = limit_for(name, limits, job.model_copy(update={"plate": {}}))
    verdict = judge(Decimal(60), limit)
    assert verdict.outcome == "cannot-judge"
    assert verdict.accepted is None


def test_an_open_igniter_fails_even_without_a_sheet(limits, job):
    limit = limit_for("igniter-resistance", limits, job.model_copy(update={"plate": {}}))
    assert judge(Overload.OPEN, limit).outcome == "fail"


def test_a_quantity_without_a_limit_is_noted(limits, job):
    assert judge(Decimal(28), limit_for("flue-co", limits, job)).outcome == "noted"


def test_every_limit_belongs_to_something_and_names_its_source(shelf):
    from assistant.trade.findings import FINDINGS

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
    hot = shelf.limits_for("LP", "hot surface", "no heat")["trial-for-ignition"]
    assert (hot.high, lp["trial-for-ignition"].high) == (7, 21)


def test_whatever_a_procedure_measures_has_a_limit_or_a_finding_that_has(shelf):
    from assistant.trade.findings import FINDINGS

    for procedure in shelf.procedures.values():
        limits = shelf.limits_for(procedure.fuel, procedure.ignition, procedure.visit)
        through = {name for finding in FINDINGS for name in FINDINGS[finding].inputs if finding in limits}
        for step in procedure.steps:
            for name in step.quantities:
                assert name in limits or name in through, (procedure.name, name)


def test_check_values_never_judge(shelf):
    """They have words only: no unit and no bound that a reading could be held against, and each its counter-fact."""
    assert len(shelf.check_values) >= 12
    for value in shelf.check_values.values():
        assert value.says
        assert value.but
        assert set(type(value).model_fields) == {"about", "says", "but"}


@pytest.mark.parametrize("name", ["igniter-resistance", "igniter-voltage", "igniter-current", "thermopile-millivolts"])
def test_an_igniter_or_thermopile_without_its_sheet_cannot_be_judged(shelf, name):
    for limit in shelf.limits[name]:
        assert limit.plate_only
        assert judge(Decimal(120), limit.with_plate(None)).outcome == "cannot-judge"
