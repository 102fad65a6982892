"""The table of faults, and the ranking by it."""

from decimal import Decimal

import pytest
from played_faults import play

from assistant.files import library
from assistant.trade.faults import EXCLUDED, UNTOLD, UNUSUAL, Faults, because
from assistant.trade.procedures import State
from assistant.trade.quantities import Overload

FAULTS = library().faults
ROWS = {row.symptom: row for row in FAULTS.rows}
LIVE = State(power="live", gas="on")
DEAD = State(power="dead", gas="shut")
PLAYED = [(row, cause) for row in FAULTS.rows for cause in row.causes]


@pytest.mark.parametrize(("row", "cause"), PLAYED, ids=lambda each: getattr(each, "symptom", each))
def test_each_fault_is_named_first_or_second_within_what_the_table_lists(row, cause):
    played = play(FAULTS, row, cause, by_table=False)
    assert played.measured_to_second is not None
    assert played.measured_to_second <= len(row.next) + 1  # one more where power or gas need no change for it


def test_the_order_of_a_row_is_the_ranking_before_anything_is_measured():
    for row in FAULTS.rows:
        named = [p.cause for p in FAULTS.probable({}, row.fuel or "natural gas", row.symptom)]
        assert named == list(row.causes)


def test_probabilities_add_up_to_one_before_causes_drop_out():
    for row in FAULTS.rows:
        total = sum(p.probability for p in FAULTS.probable(row.seen, row.fuel or "natural gas", row.symptom))
        assert 1 - EXCLUDED * len(row.causes) <= total <= 1 + 1e-9


def test_a_cause_that_the_readings_exclude_drops_out():
    row = ROWS["no spark"]
    seen = {"spark": "none", "gap": "good", "cable": "open"}
    left = [p.cause for p in FAULTS.probable(seen, "natural gas", row.symptom)]
    assert left[0] == "spark cable leaking or open"
    assert "spark gap wrong" not in left[:2]
    assert len(left) < len(row.causes)


def test_what_was_seen_picks_the_row():
    evidence = {"glow": "none", "igniter-voltage": "good"}
    assert [row.symptom for row in FAULTS.picked(evidence, "natural gas")] == ["no glow with voltage present"]
    assert FAULTS.probable({}, "natural gas") == []


def test_a_row_of_one_fuel_is_not_picked_for_the_other():
    seen = {"inlet-pressure": "low"}
    assert "low inlet on LP" in {row.symptom for row in FAULTS.picked(seen, "LP")}
    assert "low inlet on LP" not in {row.symptom for row in FAULTS.picked(seen, "natural gas")}


def test_the_next_measurement_never_needs_another_state_while_one_here_tells_something():
    for row in FAULTS.rows:
        for site in (LIVE, DEAD):
            best = FAULTS.next_best(row.seen, row.fuel or "natural gas", site, row.symptom)
            if best is None or FAULTS.observations[best].fits(site):
                continue
            causes = FAULTS.probable(row.seen, row.fuel or "natural gas", row.symptom)
            alters = FAULTS.observations[best].alters
            here = [
                n for n, o in FAULTS.observations.items() if o.fits(site) and n not in row.seen and o.alters <= alters
            ]
            assert all(FAULTS.information(name, causes) <= UNTOLD for name in here)


def test_information_is_never_negative_and_never_more_than_the_doubt():
    causes = FAULTS.probable({"spark": "none"}, "natural gas", "no spark")
    for name in FAULTS.observations:
        assert 0 <= FAULTS.information(name, causes) <= 2.33  # log2 of five causes


@pytest.mark.parametrize(
    ("observation", "value", "quantity", "outcome"),
    [
        ("line-voltage", Decimal(121), "line-voltage", "good"),
        ("line-voltage", Decimal(3), "line-voltage", "none"),
        ("igniter-resistance", Overload.OPEN, "igniter-resistance", "open"),
        ("rod-to-ground", Overload.OPEN, "rod-to-ground", "good"),
        ("rod-to-ground", Decimal(500), "rod-to-ground", "low"),
        ("flame-signal", Decimal("0.7"), "flame-signal", "low"),
        ("flame-signal", Decimal("0.01"), "flame-signal", "none"),
        ("flame-signal", Decimal("3.1"), "flame-signal", "good"),
    ],
)
def test_a_reading_is_an_outcome_by_its_limit(observation, value, quantity, outcome):
    assert FAULTS.outcome_of(observation, value, library().limits[quantity][0]) == outcome


def test_what_speaks_most_for_the_first_cause():
    seen = {"spark": "none", "gap": "good", "cable": "open"}
    causes = FAULTS.probable(seen, "natural gas", "no spark")
    assert causes[0].cause == "spark cable leaking or open"
    assert because(FAULTS, seen, causes) == "cable"
    assert because(FAULTS, {}, causes) is None


def test_any_but_the_usual_is_as_likely_as_all_the_others_together():
    usual = FAULTS.observations["rod-look"].usual
    for cause in FAULTS.causes:
        assert FAULTS.likelihood(cause, "rod-look", UNUSUAL) == pytest.approx(
            1 - FAULTS.likelihood(cause, "rod-look", usual)
        )


def test_every_row_can_be_told_as_a_symptom_by_voice():
    told = {row for rows in FAULTS.symptoms.values() for row in rows}
    assert told == set(ROWS)
    said = {library().language.symptom(sentence) for sentence in library().grammar.sentences("symptom")}
    assert said == set(FAULTS.symptoms)


def test_what_all_rows_of_a_symptom_have_in_common_is_seen():
    assert FAULTS.seen_with("no glow") == {"glow": "none"}
    assert FAULTS.seen_with("no inducer") == {}


def test_every_check_that_decides_an_observation_is_a_step_of_a_no_heat_visit():
    steps = {s.id for p in library().procedures.values() if p.visit == "no heat" for s in p.steps}
    for observation in FAULTS.observations.values():
        assert set(observation.steps) <= steps


def test_a_name_that_is_not_listed_is_refused():
    row = {"symptom": "odd", "causes": ["gremlins"], "next": []}
    with pytest.raises(ValueError, match="gremlins"):
        Faults.model_validate({"observations": {}, "causes": {}, "rows": [row]})
