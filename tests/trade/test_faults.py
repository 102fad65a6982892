"""The table of faults, and the ranking by it."""

import itertools
from decimal import Decimal

import pytest
from played_faults import appliance_of, appliances, play

from assistant.files import library
from assistant.language.meaning import Command, Question
from assistant.trade.faults import EXCLUDED, UNTOLD, UNUSUAL, Faults, because
from assistant.trade.job import Appliance
from assistant.trade.procedures import Include, State
from assistant.trade.quantities import Overload

FAULTS = library().faults
ROWS = {row.symptom: row for row in FAULTS.rows}
LIVE = State(power="live", gas="on")
DEAD = State(power="dead", gas="shut")
PLAYED = [(row, cause) for row in FAULTS.rows for cause in row.causes]
HELD = [(row, appliance) for row in FAULTS.rows for appliance in appliances() if row.holds(appliance)]
HOT_SURFACE = Appliance(description="invented", fuel="natural gas", ignition="hot surface")
DIRECT_SPARK = Appliance(description="invented", fuel="natural gas", ignition="direct spark")
INTERMITTENT_PILOT = Appliance(description="invented", fuel="natural gas", ignition="intermittent pilot")
STANDING_PILOT = Appliance(description="invented", fuel="natural gas", ignition="standing pilot")


def name_of(each: object) -> str:
    return f"{each.fuel}, {each.ignition}" if isinstance(each, Appliance) else getattr(each, "symptom", str(each))


def named(evidence: dict[str, str], appliance: Appliance, symptom: str | None = None) -> list[str]:
    return [each.cause for each in FAULTS.probable(evidence, appliance, symptom)]


@pytest.mark.parametrize(("row", "cause"), PLAYED, ids=lambda each: getattr(each, "symptom", each))
def test_each_fault_is_named_first_or_second_within_what_the_table_lists(row, cause):
    played = play(FAULTS, row, cause, by_table=False)
    assert played.measured_to_second is not None
    assert played.measured_to_second <= len(row.next) + 1  # one more where power or gas need no change for it


@pytest.mark.parametrize(("row", "appliance"), HELD, ids=name_of)
def test_the_order_of_a_row_is_the_ranking_before_anything_is_measured(row, appliance):
    assert named({}, appliance, row.symptom) == [name for name in row.causes if FAULTS.causes[name].holds(appliance)]


@pytest.mark.parametrize(("row", "appliance"), HELD, ids=name_of)
def test_with_just_what_a_row_is_seen_by_its_first_cause_comes_first(row, appliance):
    first = next(name for name in row.causes if FAULTS.causes[name].holds(appliance))
    assert named(row.seen, appliance, row.symptom)[0] == first
    if row.seen:
        assert named(row.seen, appliance)[0] == first


@pytest.mark.parametrize("row", FAULTS.rows, ids=name_of)
def test_what_a_row_is_seen_by_changes_nothing_between_causes_that_do_not_speak_of_it(row):
    for appliance in appliances():
        silent = [
            name
            for name in row.causes
            if row.holds(appliance) and FAULTS.causes[name].holds(appliance)
            if not FAULTS.causes[name].shows.keys() & row.seen
        ]
        before = {p.cause: p.probability for p in FAULTS.probable({}, appliance, row.symptom)}
        after = {p.cause: p.probability for p in FAULTS.probable(row.seen, appliance, row.symptom)}
        for one, other in itertools.pairwise(name for name in silent if name in before and name in after):
            assert after[one] / after[other] == pytest.approx(before[one] / before[other])


def test_a_cause_may_say_that_it_rarely_shows_what_its_row_is_seen_by():
    table = {
        "observations": {"hum": {"say": "a hum", "usual": "none"}},
        "causes": {"silent": {"shows": {"hum": {"loud": 0.1}}}, "plain": {}},
        "rows": [{"symptom": "it hums", "seen": {"hum": "loud"}, "causes": ["silent", "plain"], "next": []}],
    }
    faults = Faults.model_validate(table)
    assert [each.cause for each in faults.probable({"hum": "loud"}, HOT_SURFACE)] == ["plain", "silent"]
    assert [each.cause for each in faults.probable({}, HOT_SURFACE, "it hums")] == ["silent", "plain"]


def test_where_what_a_row_is_seen_by_is_not_so_its_causes_become_less_likely():
    before = {p.cause: p.probability for p in FAULTS.probable({}, STANDING_PILOT, "pilot drops out")}
    after = {
        p.cause: p.probability
        for p in FAULTS.probable(
            {"thermocouple": "good", "loaded-thermocouple": "low"}, STANDING_PILOT, "pilot drops out"
        )
    }
    assert after["thermocouple contact dirty"] > before["thermocouple contact dirty"]
    assert after.get("pilot orifice plugged", 0) < before["pilot orifice plugged"] / 2


def test_a_cause_in_two_picked_rows_is_held_by_both():
    seen = {"carbon-monoxide": "high", "flue-oxygen": "low", "temperature-rise": "high"}
    picked = {row.symptom for row in FAULTS.picked(seen, HOT_SURFACE)}
    assert picked == {"C O high and oxygen low", "the rise is too high"}
    first = FAULTS.probable(seen, HOT_SURFACE)[0]
    assert first.cause == "gas input too high"
    assert {row.symptom for row, _ in first.rows} == picked
    assert sum(share for _, share in first.rows) == pytest.approx(1)


def test_probabilities_add_up_to_one_before_causes_drop_out():
    for row, appliance in HELD:
        total = sum(p.probability for p in FAULTS.probable(row.seen, appliance, row.symptom))
        assert 1 - EXCLUDED * len(row.causes) <= total <= 1 + 1e-9


@pytest.mark.parametrize("appliance", list(appliances()), ids=name_of)
def test_no_cause_is_named_that_the_appliance_cannot_have(appliance):
    for symptom in FAULTS.symptoms:
        for name in named({}, appliance, symptom):
            assert FAULTS.causes[name].holds(appliance)
    parts = {
        "thermocouple": {"standing pilot"},
        "magnet": {"standing pilot"},
        "thermopile": {"standing pilot"},
        "igniter": {"hot surface"},
        "spark": {"direct spark", "intermittent pilot"},
        "flame rod": {"hot surface", "direct spark", "intermittent pilot"},
        "tank": {"LP"},
    }
    causes = {name for symptom in FAULTS.symptoms for name in named({}, appliance, symptom)}
    for part, fitted in parts.items():
        if any(part in name for name in causes):
            assert fitted & {appliance.ignition, appliance.fuel}, part


def test_a_pilot_that_goes_out_is_the_flame_rod_where_there_is_no_thermocouple():
    assert named({}, STANDING_PILOT, "pilot drops out")[:2] == ["pilot flame weak", "thermocouple contact dirty"]
    assert named({}, INTERMITTENT_PILOT, "pilot drops out")[0] == "flame rod oxidised"


@pytest.mark.parametrize(
    ("seen", "first"),
    [
        ({"thermocouple": "low", "loaded-thermocouple": "low", "pilot-flame": "unusual"}, "pilot flame weak"),
        ({"thermocouple": "good", "loaded-thermocouple": "low", "contacts": "dirty"}, "thermocouple contact dirty"),
        ({"thermocouple": "good", "loaded-thermocouple": "low", "contacts": "clean"}, "thermocouple weak"),
        ({"pilot-hold": "drops", "thermocouple": "good", "loaded-thermocouple": "good"}, "magnet or valve bad"),
        ({"thermocouple": "good", "loaded-thermocouple": "good", "magnet-release": "high"}, "magnet worn"),
        ({"thermocouple": "good", "loaded-thermocouple": "good", "magnet-time": "high"}, "magnet sticks"),
    ],
)
def test_the_millivolts_of_a_standing_pilot_tell_flame_couple_contact_and_magnet_apart(seen, first):
    assert named(seen, STANDING_PILOT)[0] == first
    if "magnet-time" not in seen:  # a late magnet is another complaint
        assert named(seen, STANDING_PILOT, "pilot drops out")[0] == first


def test_a_pilot_in_order_names_no_cause():
    seen = {"pilot-hold": "stays", "thermocouple": "good", "loaded-thermocouple": "good", "pilot-flame": "good"}
    assert named({**seen, "magnet-release": "good", "magnet-time": "good"}, STANDING_PILOT) == []


def test_a_symptom_that_this_ignition_cannot_have_leaves_the_ranking_to_what_was_seen():
    assert FAULTS.rows_of("no glow", STANDING_PILOT) == ()
    assert named({"thermocouple": "low"}, STANDING_PILOT, "no glow")[0] == "pilot flame weak"


def test_a_cause_that_the_readings_exclude_drops_out():
    row = ROWS["no spark"]
    seen = {"spark": "none", "gap": "good", "cable": "open"}
    left = [p.cause for p in FAULTS.probable(seen, DIRECT_SPARK, row.symptom)]
    assert left[0] == "spark cable leaking or open"
    assert "spark gap wrong" not in left[:2]
    assert len(left) < len(row.causes)


def test_what_was_seen_picks_the_row():
    evidence = {"glow": "none", "igniter-voltage": "good"}
    assert [row.symptom for row in FAULTS.picked(evidence, HOT_SURFACE)] == ["no glow with voltage present"]
    assert FAULTS.probable({}, HOT_SURFACE) == []


def test_a_row_of_one_fuel_is_not_picked_for_the_other():
    seen = {"inlet-pressure": "low"}
    lp = HOT_SURFACE.model_copy(update={"fuel": "LP"})
    assert "low inlet on LP" in {row.symptom for row in FAULTS.picked(seen, lp)}
    assert "low inlet on LP" not in {row.symptom for row in FAULTS.picked(seen, HOT_SURFACE)}


def test_the_next_measurement_never_needs_another_state_while_one_here_tells_something():
    for row in FAULTS.rows:
        for site in (LIVE, DEAD):
            best = FAULTS.next_best(row.seen, appliance_of(FAULTS, row), site, row.symptom)
            if best is None or FAULTS.observations[best].fits(site):
                continue
            causes = FAULTS.probable(row.seen, appliance_of(FAULTS, row), row.symptom)
            alters = FAULTS.observations[best].alters
            here = [
                n for n, o in FAULTS.observations.items() if o.fits(site) and n not in row.seen and o.alters <= alters
            ]
            assert all(FAULTS.information(name, causes) <= UNTOLD for name in here)


def test_information_is_never_negative_and_never_more_than_the_doubt():
    causes = FAULTS.probable({"spark": "none"}, DIRECT_SPARK, "no spark")
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
        ("thermocouple", Decimal(25), "thermocouple-millivolts", "good"),
        ("thermocouple", Decimal(17), "thermocouple-millivolts", "low"),
        ("loaded-thermocouple", Decimal(8), "thermocouple-loaded-millivolts", "low"),
        ("magnet-release", Decimal("5.9"), "magnet-release-millivolts", "good"),
        ("magnet-release", Decimal(6), "magnet-release-millivolts", "high"),
        ("rollout-switch", Overload.OPEN, "rollout-switch-resistance", "open"),
    ],
)
def test_a_reading_is_an_outcome_by_its_limit(observation, value, quantity, outcome):
    assert FAULTS.outcome_of(observation, value, library().limits[quantity][0]) == outcome


def test_what_speaks_most_for_the_first_cause():
    seen = {"spark": "none", "gap": "good", "cable": "open"}
    causes = FAULTS.probable(seen, DIRECT_SPARK, "no spark")
    assert causes[0].cause == "spark cable leaking or open"
    assert because(FAULTS, seen, causes) == "cable"
    assert because(FAULTS, {}, causes) is None


def test_what_speaks_for_the_only_cause_left_is_what_it_shows_and_not_what_is_in_order():
    seen = {"line-voltage": "good", "glow": "none", "igniter-voltage": "good", "igniter-resistance": "open"}
    causes = FAULTS.probable(seen, HOT_SURFACE, "no glow with voltage")
    assert [each.cause for each in causes] == ["igniter element open"]
    assert because(FAULTS, seen, causes) == "igniter-resistance"


def test_any_but_the_usual_is_as_likely_as_all_the_others_together():
    usual = FAULTS.observations["rod-look"].usual
    for cause in FAULTS.causes:
        assert FAULTS.likelihood(cause, "rod-look", UNUSUAL) == pytest.approx(
            1 - FAULTS.likelihood(cause, "rod-look", usual)
        )


def test_every_row_can_be_told_as_a_symptom_by_voice():
    told = {row for symptom in FAULTS.symptoms.values() for row in symptom.rows}
    assert told == set(ROWS)
    said = {
        library().language.understand(sentence, Question("told")).of
        for sentence in library().grammar.sentences("symptom")
    }
    assert said == set(FAULTS.symptoms)


def test_what_all_rows_of_a_symptom_have_in_common_is_seen():
    assert FAULTS.seen_with("no glow", HOT_SURFACE) == {"glow": "none"}
    assert FAULTS.seen_with("no inducer", HOT_SURFACE) == {}


def test_every_check_that_is_only_there_to_find_a_fault_tells_of_one_and_what_checks_tell_is_asked():
    steps = [s for p in library().procedures.values() if p.visit == "no heat" for s in p.steps]
    of_checks = {step for observation in FAULTS.observations.values() for step in observation.steps}
    assert {s.id for s in steps if s.if_it_tells and s.kind == "check"} <= of_checks
    asked = {s.id for s in steps}
    never = {name for name, of in FAULTS.observations.items() if of.steps and not asked & set(of.steps)}
    assert never <= {"vent", "jumpers", "pilot-hold"}  # checked on every visit, in parts that are not for finding


def test_what_a_check_tells_has_its_bad_answer_as_the_unusual_one():
    steps = {s.id: s for p in library().procedures.values() for s in p.steps}
    for name, observation in FAULTS.observations.items():
        for step, answers in observation.steps.items():
            bad = steps[step].bad if step in steps else {}
            assert all((answers[answer] != observation.usual) is (answer in bad) for answer in answers if bad), name


def test_after_what_may_hurt_at_the_next_lighting_no_cycle_is_run_as_found():
    must = {"rollout", "rollout open", "co alarm", "gas smelled", "soot", "late lighting", "flame before gas"}
    must |= {"co high", "co high oxygen low", "co high oxygen normal"}
    assert {name for name, symptom in FAULTS.symptoms.items() if symptom.never_run_as_found} == must


ACTS = ("gas on", "lighting", "running", "leaving on")
FORBIDDEN_FROM = {
    "find-piping": "gas on",
    "find-downstream-leak": "gas on",
    "find-hose": "lighting",
    "find-igniter-place": "lighting",
    "find-burners": "lighting",
    "find-orifices": "lighting",
    "find-regulator-vent": "lighting",
    "find-pressure-switch-off": "lighting",
    "find-lock-up": "lighting",
    "find-flame-inside": "lighting",
    "find-flame-still": "lighting",
    "find-flue-with-blower": "lighting",
    "find-flame-seated": "leaving on",
    "find-flame-clear": "leaving on",
    "find-flame-colour": "leaving on",
    "find-blower-start": "leaving on",
    "find-condensate": "leaving on",
    "find-room": "leaving on",
}


def test_what_a_found_fault_forbids_is_forbidden_with_all_that_follows_from_it():
    steps = {s.id: s for p in library().procedures.values() for s in p.steps if s.if_it_tells}
    forbidding = {name: step.forbids for name, step in steps.items() if step.forbids}
    assert forbidding == {name: ACTS[ACTS.index(first) :] for name, first in FORBIDDEN_FROM.items()}
    assert all(steps[name].bad for name in forbidding)


def test_the_signs_of_a_breached_heat_exchanger_are_mended_on_no_visit():
    steps = {s.id: s for p in library().procedures.values() for s in p.steps if s.if_it_tells}
    assert {name for name, step in steps.items() if step.no_repair} == {"find-flame-still", "find-flue-with-blower"}


def test_what_is_found_while_the_burner_runs_says_that_it_runs():
    running = {s.id for s in library().parts["find-running"][1].steps if not isinstance(s, Include)}
    steps = {s.id: s for p in library().procedures.values() for s in p.steps if s.if_it_tells}
    assert {name for name, step in steps.items() if step.burner == "runs"} == running


def test_a_smell_of_gas_is_an_emergency_even_if_it_is_said_as_a_symptom():
    language = library().language
    for words in ("symptom gas smell", "symptom smell of gas", "symptom gas leak"):
        assert language.understand(words, Question("")) == Command("emergency", "gas")
    assert language.understand("symptom gas was smelled", Question("told")) == Command("symptom", "gas smelled")


def test_tables_of_older_records_are_read_as_they_are():
    table = {
        "observations": {"tank": {"say": "the tank", "usual": "good"}},
        "causes": {"tank empty": {"shows": {"tank": "low"}}},
        "rows": [{"symptom": "low inlet", "seen": {}, "fuel": "LP", "causes": ["tank empty"], "next": ["tank"]}],
        "symptoms": {"inlet low": ["low inlet"]},
    }
    faults = Faults.model_validate(table)
    assert faults.rows[0].only.fuel == ("LP",)
    assert faults.symptoms["inlet low"].rows == ("low inlet",)
    assert faults.rows_of("inlet low", HOT_SURFACE) == ()
    again = Faults.model_validate(faults.model_dump(mode="json", exclude_defaults=True))
    assert again == faults


def test_the_table_in_a_record_is_read_back_as_it_was():
    assert Faults.model_validate(FAULTS.model_dump(mode="json", exclude_defaults=True)) == FAULTS


def test_a_fault_of_one_kind_of_visit_is_refused():
    with pytest.raises(ValueError, match="never of a kind of visit"):
        Faults.model_validate({"causes": {"odd": {"only": {"visit": "no heat"}}}})


def test_a_name_that_is_not_listed_is_refused():
    row = {"symptom": "odd", "causes": ["gremlins"], "next": []}
    with pytest.raises(ValueError, match="gremlins"):
        Faults.model_validate({"observations": {}, "causes": {}, "rows": [row]})
