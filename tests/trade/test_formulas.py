"""Formulas: what they refuse, how they scale, and worked values; tests/outside has the published ones."""

from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from assistant.trade.formulas import air, combustion, gas, uncertainty

D = Decimal

positive = st.decimals(min_value="0.1", max_value="1000", places=2)


@pytest.mark.parametrize(
    ("call", "says"),
    [
        (lambda: gas.input_rate_btu_h(D("0.5"), D(0), D(1000)), "at most 86400 seconds"),
        (lambda: gas.input_rate_btu_h(D("0.5"), D(-3), D(1000)), "at most 86400 seconds"),
        (lambda: gas.input_rate_btu_h(D(0), D(30), D(1000)), "gas that passed"),
        (lambda: gas.input_rate_kw(D(0), D(30), D(39)), "gas that passed"),
        (lambda: gas.input_rate_btu_h(D(1), D(36), D(0)), "heating value"),
        (lambda: gas.input_rate_kw(D(1), D(36), D(-39)), "heating value"),
        (lambda: air.airflow_ft3_min(D(64000), D(0)), "temperature rise"),
        (lambda: air.airflow_ft3_min(D(64000), D(-5)), "temperature rise"),
        (lambda: air.airflow_ft3_min(D(0), D(40)), "heat output"),
        (lambda: air.airflow_ft3_min(D(64000), D(40), D(40000)), "altitude"),
        (lambda: air.altitude_density_ratio(D(-2001)), "altitude"),
        (lambda: air.altitude_density_ratio(D(36090)), "altitude"),
        (lambda: combustion.co_air_free_ppm(D(-1), D(7)), "CO must be at least 0"),
        (lambda: combustion.co_air_free_ppm(D(50), D("20.9")), "not flue gas"),
        (lambda: combustion.co_air_free_ppm(D(50), D("21.2")), "not flue gas"),
        (lambda: combustion.co_air_free_ppm(D(50), D("-0.1")), "not flue gas"),
        (lambda: combustion.co_air_free_from_co2_ppm(D(60), D(0), "natural gas"), "CO2 in the flue must be above 0"),
        (lambda: combustion.co_air_free_from_co2_ppm(D(60), D("11.9"), "natural gas"), "at most 11.8 percent"),
        (lambda: combustion.co_air_free_from_co2_ppm(D(-1), D(7), "natural gas"), "CO must be at least 0"),
        (lambda: uncertainty.meter_uncertainty(D(1), D(-1), D(3), D("0.1")), "percent and counts"),
        (lambda: uncertainty.meter_uncertainty(D(1), D(1), D(-3), D("0.1")), "percent and counts"),
        (lambda: uncertainty.meter_uncertainty(D(1), D(1), D(3), D(0)), "resolution"),
        (lambda: uncertainty.expanded_from_half_width(D(-1)), "half width"),
        (lambda: uncertainty.combine_uncertainties([(D(1), D(-1))]), "uncertainty cannot be below zero"),
    ],
)
def test_outside_its_range_a_formula_refuses_in_one_sentence(call, says):
    with pytest.raises(ValueError, match=says) as refusal:
        call()
    assert str(refusal.value).endswith(".")


@given(positive, positive)
def test_twice_the_time_is_half_the_flow(dial, seconds):
    once, twice = (gas.input_rate_btu_h(dial, each, D(1000)) for each in (seconds, 2 * seconds))
    assert abs(once - 2 * twice) <= once * D("2e-5")


def test_imperial_and_metric_rates_agree():
    # 1 ft3 = 0.028316846592 m3 exactly; 1000 Btu/ft3 = 37.25894580783 MJ/m3; 1 kW = 3412.1416 Btu/h
    # (published: NIST SP 811, appendix B.8, foot and Btu_IT).
    btu_h = gas.input_rate_btu_h(D(1), D(45), D(1000))
    kw = gas.input_rate_kw(D("0.028316846592"), D(45), D("37.25894580783"))
    assert float(btu_h) / 3412.1416 == pytest.approx(float(kw), rel=1e-5)


def test_temperature_rise_is_exact_and_keeps_its_sign():
    assert str(air.temperature_rise(D("118.4"), D("68.9"))) == "49.5"
    assert air.temperature_rise(D("60"), D("70")) == D(-10)


def test_air_is_thinner_higher_up_and_needs_more_volume():
    ratios = [air.altitude_density_ratio(D(z)) for z in (-1000, 0, 2000, 5000, 10000)]
    assert ratios == sorted(ratios, reverse=True)
    assert ratios[1] == 1
    assert air.airflow_ft3_min(D(64000), D(55), D(5000)) > air.airflow_ft3_min(D(64000), D(55))


@given(st.decimals(min_value=0, max_value=2000, places=0), st.decimals(min_value=0, max_value=20, places=1))
def test_co_air_free_is_never_below_co(co, o2):
    assert combustion.co_air_free_ppm(co, o2) >= co
    assert combustion.co_air_free_ppm(co, D(0)) == co


def test_both_forms_of_co_air_free_agree_where_co2_follows_from_o2():
    # CO2 = CO2max (20.9 - O2) / 20.9 (published: combustion-analyser manual appendix)
    for fuel, ultimate in combustion.ULTIMATE_CO2_PERCENT.items():
        co2 = ultimate * (D("20.9") - D(7)) / D("20.9")
        by_co2 = combustion.co_air_free_from_co2_ppm(D(50), co2, fuel)
        assert abs(by_co2 - combustion.co_air_free_ppm(D(50), D(7))) < D("0.001"), fuel


def test_a_meters_half_width_is_exact_and_the_same_for_either_sign():
    assert uncertainty.meter_half_width(D("120.4"), D(1), D(3), D("0.1")) == D("1.504")
    assert uncertainty.meter_half_width(D("-120.4"), D(1), D(3), D("0.1")) == D("1.504")


def test_combining():
    assert uncertainty.combine_uncertainties([(D(1), D(3)), (D(1), D(4))]) == 5
    assert uncertainty.combine_uncertainties([(D(-2), D(3))]) == 6
    assert uncertainty.combine_uncertainties([]) == 0


@given(positive, positive)
def test_results_have_at_most_six_significant_digits(dial, seconds):
    digits = str(gas.input_rate_btu_h(dial, seconds, D(1000))).replace(".", "").strip("0")
    assert len(digits) <= 6
