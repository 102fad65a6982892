"""Times by voice: marks, missed marks, and times that are told."""

from __future__ import annotations

from decimal import Decimal

import pytest
from simulated import Technician

from assistant.dialogue.events import Opened, Quiet, Said
from assistant.dialogue.figures import uncertainty_of_marks
from assistant.dialogue.state import Phase
from assistant.files import library
from assistant.language.heard import Heard, HeardWord
from assistant.language.meaning import Command, Named, Question

EVENTS = ["inducer", "air", "glow", "gas", "flame", "fan"]
AT = [100, 102, 122, 142, 145, 175]  # purge 20 s, warm up 20 s, trial 3 s, fan 33 s


@pytest.fixture
def run() -> Technician:
    """At the sequence of a hot surface igniter."""
    technician = Technician(library().procedures["hot-surface-natural-gas-commissioning"])
    technician.go_to("sequence")
    return technician


def times(technician: Technician) -> dict[str, float]:
    taken = (t for t in technician.state.standing if t.step == "sequence")
    return {t.quantity: float(t.value) for t in taken}


def mark(technician: Technician, *events: str) -> None:
    for event in events:
        technician.say("mark", AT[EVENTS.index(event)])


def test_the_times_are_those_between_the_marks_and_nothing_is_said_between_them(run):
    for event in EVENTS[:-1]:
        mark(run, event)
        assert run.said == []
    mark(run, "fan")
    run.say("yes") if run.state.phase is Phase.TIMED else None
    assert times(run) == {
        "pre-purge-time": 20,
        "warm-up-time": 20,
        "trial-for-ignition": 3,
        "blower-on-time": 33,
    }
    assert run.state.step != "sequence"


def test_between_the_marks_neither_quiet_nor_noise_makes_it_speak(run):
    mark(run, "inducer")
    run.event(Quiet(30.0))
    assert run.said == []
    run.say("[unk]")
    assert run.said == []
    assert len(run.state.hand.marks) == 1


def test_a_mark_counts_from_the_start_of_its_word(run):
    mark(run, "inducer", "air", "glow")
    words = [("mark", 0.2), ("gas", 0.7), ("mark", 3.2)]
    heard = Heard(" ".join(w for w, _ in words), tuple(HeardWord(w, s, s + 0.3, 1.0) for w, s in words))
    run.event(Said(heard, 142.0, "x.flac"))
    assert [(m.at_s, m.event) for m in run.state.hand.marks[3:]] == [(142.0, "gas"), (145.0, "")]


def test_a_missed_mark_is_asked_and_its_times_are_told_not_invented(run):
    mark(run, "inducer", "air", "gas", "flame", "fan")
    run.say("done")
    assert run.state.phase is Phase.MISSED
    run.say("flame out")
    assert "none of this step" in " ".join(run.said)
    run.say("glow")
    if run.state.phase is Phase.TIMED:
        run.say("yes")
    assert times(run) == {"trial-for-ignition": 3, "blower-on-time": 33}
    assert run.said[-1].startswith("Say it in seconds")
    run.say("two zero seconds")
    while run.state.phase is Phase.CONFIRMING:
        run.say("yes")
    assert times(run)["pre-purge-time"] == 20
    run.say("skip")
    run.say("no time")
    assert "warm-up-time" not in times(run)
    assert run.state.outcome("sequence") == "cannot-judge"
    reasons = [entry.reason for entry in run.state.skipped if entry.step == "sequence"]
    assert reasons == ["warm up time not timed, no time"]


def test_named_marks_say_which_event_was_missed(run):
    for text, at in (("mark", 100), ("mark air", 102), ("mark gas", 142), ("mark", 145), ("mark", 175)):
        run.say(text, at)
    run.say("yes") if run.state.phase is Phase.TIMED else None
    assert times(run) == {"trial-for-ignition": 3, "blower-on-time": 33}


def test_where_nobody_knows_which_was_missed_only_what_is_certain_is_worked_out(run):
    mark(run, "inducer", "air", "gas", "flame", "fan")
    run.say("done")
    run.say("no")
    assert times(run) == {}
    assert len(run.state.hand.untold) == 4


def test_the_run_may_be_marked_again(run):
    run.say("done")
    assert len(run.state.hand.untold) == 4
    mark(run, *EVENTS)
    run.say("yes") if run.state.phase is Phase.TIMED else None
    assert len(times(run)) == 4


def test_a_time_that_does_not_pass_is_asked_and_refused_marks_are_dropped(run):
    for at in (100, 102, 122, 142, 190, 200):
        run.say("mark", at)
    assert run.state.phase is Phase.TIMED
    assert "Is that right?" in run.said[-1]
    run.say("no")
    assert (run.state.phase, run.state.hand.marks, times(run)) == (Phase.ASKING, (), {})


def test_marks_do_not_reach_across_an_interruption(run):
    mark(run, "inducer", "air")
    run.event(Opened(resumed=True))
    assert run.state.hand.marks == ()
    assert "The marks are lost." in run.said


def test_the_uncertainty_of_marks_is_in_the_verdict(run):
    """Two marks of half a width of 0.3 s: 2 x sqrt(2) x 0.3 / sqrt(3) = 0.49 s (GUM, type B, rectangular)."""
    assert uncertainty_of_marks() == Decimal("0.49")
    mark(run, *EVENTS)
    run.say("yes") if run.state.phase is Phase.TIMED else None
    (trial,) = [t for t in run.state.standing if t.quantity == "trial-for-ignition"]
    accuracy = run.dialogue.rules.job.meter_for("trial-for-ignition").accuracy
    assert trial.verdict.expanded_uncertainty == accuracy.expanded_uncertainty(Decimal(3))  # the job's own
    other = Technician(library().procedures["hot-surface-natural-gas-commissioning"])
    job = other.dialogue.rules.job.model_copy(update={"meters": ()})
    assert other.dialogue.rules.job.meters
    object.__setattr__(other.dialogue.rules, "job", job)
    other.go_to("sequence")
    mark(other, *EVENTS)
    other.say("yes") if other.state.phase is Phase.TIMED else None
    (trial,) = [t for t in other.state.standing if t.quantity == "trial-for-ignition"]
    assert trial.verdict.expanded_uncertainty == Decimal("0.49")


def test_a_pilot_that_goes_out_is_timed_against_180_seconds():
    technician = Technician(library().procedures["standing-pilot-natural-gas-yearly"])
    technician.go_to("flame-out")
    technician.say("mark", 1000)
    technician.say("mark", 1190)
    assert technician.state.phase is Phase.TIMED
    technician.say("yes")
    (taken,) = [t for t in technician.state.standing if t.quantity == "safe-shut-down-time"]
    assert (float(taken.value), taken.verdict.outcome) == (190, "fail")


def test_trials_are_counted_by_mark_against_the_plate():
    technician = Technician(library().procedures["direct-spark-natural-gas-yearly"])
    technician.go_to("trials")
    for at in (10, 60, 120):
        technician.say("mark", at)
        assert technician.said == []
    technician.say("done")
    assert technician.said == ["I heard three tries.", "Is that right?"]
    technician.say("yes")
    (taken,) = [t for t in technician.state.standing if t.quantity == "ignition-trials"]
    assert taken.value == 3


def test_every_event_and_every_repair_can_be_said(language):
    for procedure in library().procedures.values():
        for step in procedure.steps:
            for event in step.events:
                assert language.understand(event, Question("event")) == Named("event", event)
        for name, repair in procedure.repairs.items():
            assert language.understand(repair.say, Question("repair")) == Named("repair", name)
            assert language.understand(f"repair {repair.say}", Question("told")) == Command("repair-made", name)


@pytest.mark.parametrize(
    ("text", "events"),
    [
        ("mark", ("",)),
        ("mark gas", ("gas",)),
        ("mark mark", ("", "")),
        ("mark gas mark flame", ("gas", "flame")),
        ("mark main flame", ("main flame",)),
    ],
)
def test_marks_in_a_row_are_marks(language, ask, text, events):
    assert language.understand(text, ask("line-voltage")) == Command("mark", marks=events)


@pytest.mark.parametrize("aside", ["note", "work out the rise"])
def test_no_time_reaches_across_an_interruption_of_an_aside(run, aside):
    """The stream's clock begins anew: marks of before have no time on it."""
    mark(run, "inducer", "air")
    run.say(aside)
    run.event(Opened(resumed=True))
    assert "The marks are lost." in " ".join(run.said)
    run.say("nothing" if aside == "note" else "skip")
    assert run.state.phase is Phase.ASKING
    assert run.state.hand.marks == ()
