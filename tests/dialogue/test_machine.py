"""The dialogue as its users would lead it, in words; no audio."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from assistant.dialogue.effects import Note, Say
from assistant.dialogue.events import Opened, Quiet, Said, Voiced
from assistant.dialogue.machine import EVERYWHERE, TRANSITIONS, Dialogue
from assistant.dialogue.state import Phase, State
from assistant.files import library, read_job, top_folder
from assistant.language.heard import Alternative, Heard, HeardWord


def new_dialogue(**job_changes: object) -> Dialogue:
    job = read_job(top_folder("audio_fixtures") / "visits" / "hot-surface.job.yaml")
    return Dialogue(library().language, library().rules_for(job.model_copy(update=job_changes)))


@dataclass
class Talk:
    """A technician who says things, and remembers what was answered and recorded."""

    dialogue: Dialogue = field(default_factory=new_dialogue)
    state: State = field(init=False)
    answer: str = ""
    notes: list[Note] = field(default_factory=list)
    at_s: float = 0.0
    voice_works: bool = True

    def __post_init__(self) -> None:
        self.state = self.dialogue.start()

    def event(self, event) -> Talk:
        self.answer, self.notes = "", []
        while True:
            self.state, effects = self.dialogue.step(self.state, event)
            self.notes += [e for e in effects if isinstance(e, Note)]
            says = [e.text for e in effects if isinstance(e, Say)]
            self.answer = " ".join(filter(None, [self.answer, *says]))
            if not says:
                return self
            event = Voiced(self.voice_works, "" if self.voice_works else "the loudspeaker is gone")

    def begin(self) -> Talk:
        return self.event(Opened())

    def say(self, *texts: str) -> Talk:
        """Says things five seconds apart; "+16 mark" is said 16 seconds after what was said before."""
        for said in texts:
            apart_s, _, text = said[1:].partition(" ") if said.startswith("+") else ("5", "", said)
            self.at_s += float(apart_s)
            self.event(Said(Heard(text), self.at_s, "0001.flac"))
        return self

    def kinds(self) -> list[str]:
        return [note.kind for note in self.notes]

    def note(self, kind: str) -> dict:
        return next(note.body for note in self.notes if note.kind == kind)


ARRIVED = ["three parts per million", "yes", "no", "no"]
DEAD = [*ARRIVED, "understood", "done", "done", "understood", "yes", "yes", "yes"]
COLD = [
    *DEAD,
    "sixty two ohms",
    "open",
    "open",
    "point eight",
    "point six",
    "point four",
    "point three",
    "open",
    "done",
]
LIVE = [*COLD, "understood", "done", "understood", "done"]
BURNING = [
    *LIVE, "one twenty one", "yes", "point six", "one twenty one", "understood", "done", "understood", "no", "yes",
    "seven point two", "yes", "understood", "done",
]  # fmt: skip
LIT = [*BURNING, "mark", "+2 mark", "+16 mark", "+19 mark", "+3 mark", "+29 mark", "yes"]


def at(*texts: str, **job_changes: object) -> Talk:
    return Talk(new_dialogue(**job_changes)).begin().say(*texts)


def test_the_visit_begins_with_what_it_cannot_give():
    talk = Talk().begin()
    assert "I give no permission" in talk.answer
    assert talk.answer.endswith("Read the ambient C O.")


def test_a_hazard_is_voiced_before_its_step_and_a_danger_waits():
    talk = at(*ARRIVED)
    assert talk.state.step == "isolate"
    assert talk.state.phase is Phase.WARNING
    assert talk.answer.endswith("Say understood.")
    assert talk.note("hazards-voiced")["hazards"] == ["lock-out"]
    talk.say("done")
    assert talk.state.phase is Phase.WARNING
    talk.say("understood")
    assert talk.answer == "Turn the power off, lock it and tag it. Say done."


def test_a_step_does_not_open_when_its_warning_was_not_voiced():
    talk = at(*ARRIVED[:-1])
    talk.voice_works = False
    talk.say("no")
    assert talk.state.phase is Phase.HOLDING
    assert "not-voiced" in talk.kinds()
    talk.say("understood")
    assert talk.state.phase is Phase.HOLDING
    talk.voice_works = True
    talk.say("go on")
    assert talk.state.phase is Phase.WARNING
    assert "Lock and tag" in talk.answer


def test_a_passing_reading_is_read_back_and_the_visit_moves_on():
    talk = at(*DEAD).say("sixty two ohms")
    assert talk.answer.startswith("I have six, two ohms. Pass, plate limit.")
    assert talk.state.step == "igniter-ground"
    assert talk.note("reading")["value"] == "62"
    assert talk.note("reading")["judged"] == "61.7"  # the leads' 0.3 ohm taken off


def test_the_record_comes_before_the_voice():
    dialogue = new_dialogue()
    talk = Talk(dialogue).begin().say(*DEAD)
    _, effects = dialogue.step(talk.state, Said(Heard("sixty two ohms")))
    kinds = [type(effect) for effect in effects]
    assert kinds.index(Note) < kinds.index(Say)


def test_what_can_hurt_needs_a_yes_however_well_it_passes():
    talk = Talk().begin().say("three parts per million")
    assert talk.state.phase is Phase.CONFIRMING
    assert talk.note("heard-reading")["asked_because"] == "always"
    assert talk.state.readings == ()
    talk.say("yes")
    assert talk.state.standing[0].quantity == "ambient-co"


def test_a_reading_out_of_its_limit_needs_a_yes():
    talk = at(*LIVE).say("one forty one volts")
    assert talk.note("heard-reading")["asked_because"] == "fail"
    talk.say("yes")
    assert talk.answer.startswith("Taken. Fail, above one three two, generic limit.")


def test_a_refused_value_is_left_out_of_the_next_try():
    talk = at(*LIVE).say("one forty one volts", "no", "one forty one volts")
    assert talk.state.readings[-1].quantity != "line-voltage"
    assert "same value again" in talk.answer
    assert talk.say("one twenty one volts").state.standing[-1].value == 121


def test_a_close_alternative_asks_only_where_its_verdict_differs():
    words = (HeardWord("one", 0, 0.2, 1.0), HeardWord("twenty", 0.2, 0.5, 1.0))
    near = Heard("one twenty", words, (Alternative("one twenty one", 0.5),))
    far = Heard("one twenty", words, (Alternative("one forty", 0.5),))
    assert at(*LIVE).event(Said(near)).state.step == "polarity"
    assert at(*LIVE).event(Said(far)).note("heard-reading")["asked_because"] == "alternative"


def test_a_faint_word_asks():
    heard = Heard("one twenty", (HeardWord("one", 0, 0.2, 0.3), HeardWord("twenty", 0.2, 0.5, 1.0)))
    assert at(*LIVE).event(Said(heard)).note("heard-reading")["asked_because"] == "faint"


def test_an_ambiguous_reading_is_asked_with_its_choices():
    talk = at(*LIT, "two microamps", "yes", "six point eight", "yes")
    assert talk.state.step == "manifold"
    talk.say("three five")
    assert talk.answer == "Do you mean three, five; or three, point, five?"
    assert talk.say("three point five", "yes").state.standing[-1].quantity == "manifold-pressure"


def test_a_range_is_judged_at_the_end_nearer_failure_and_asked():
    talk = at(*LIT, "between point eight and two")
    assert "zero, point, eight to two microamps, not steady" in talk.answer
    talk.say("yes")
    assert talk.note("reading")["verdict"] == "fail"
    assert (talk.note("reading")["value"], talk.note("reading")["upper"]) == ("0.8", "2")


def test_another_unit_is_read_back_in_both():
    talk = at(*BURNING[:-4]).say("one point seven kilopascals")
    assert "one, point, seven kilopascals, that is six, point, eight, two inches of water" in talk.answer
    talk.say("yes")
    assert (talk.note("reading")["unit"], talk.note("reading")["judged"]) == ("kilopascal", "6.82487")


def test_readings_by_name_are_kept_until_they_are_asked():
    talk = at(*LIVE).say("hot to neutral one twenty one neutral to ground point four manifold three point five")
    assert talk.note("reading")["quantity"] == "line-voltage"
    assert talk.note("kept")["quantity"] == "neutral-to-ground"
    talk.say("yes")  # polarity; the kept reading is read back for a yes
    assert "I heard zero, point, four volts. Is that right?" in talk.answer
    assert talk.say("yes").note("reading")["quantity"] == "neutral-to-ground"


def test_a_reading_by_name_whose_step_cannot_be_worked_now_is_not_kept():
    talk = at(*DEAD).say("line voltage one twenty one")
    assert "not kept" in talk.answer
    assert talk.state.ahead == ()


def test_a_near_miss_of_a_command_is_proposed_and_never_taken():
    talk = at(*LIVE).say("what is the limits")
    assert talk.answer == "Did you mean, limit?"
    assert "Generic limit" in talk.say("yes").answer
    assert "Read line voltage" in talk.say("what is the limits", "no").answer


def test_a_reading_far_from_the_last_visit_is_asked():
    before = {"neutral-to-ground": Decimal("0.1")}
    talk = at(*LIVE, "one twenty one", "yes", "point six volts", previous=before)
    assert talk.note("heard-reading")["asked_because"] == "far from the last visit"


def test_three_failures_offer_a_way_out():
    talk = at(*LIVE).say("banana")
    assert "digit by digit" not in talk.answer
    assert "digit by digit" in talk.say("banana").answer
    assert "hold, or skip" in talk.say("banana").answer


def test_a_correction_takes_back_the_last_reading_at_a_later_step():
    talk = at(*LIVE).say("one twenty one volts", "yes").say("correction")
    assert talk.note("correction")["withdrawn"] == "121"
    assert "Say line voltage again." in talk.answer
    talk.say("one twenty two volts")
    assert talk.state.step == "neutral"
    values = [(str(t.value), t.withdrawn) for t in talk.state.readings if t.quantity == "line-voltage"]
    assert values == [("121", True), ("122", False)]


def test_a_correction_that_changes_the_outcome_leads_where_the_new_value_leads():
    talk = at(*DEAD).say("sixty two ohms", "correction", "open", "yes")
    assert talk.state.step == "igniter-new"


def test_a_correction_that_cannot_lead_there_says_so():
    talk = at(*DEAD, "sixty two ohms", *["skip", "no meter"] * 7, *LIVE[len(COLD) - 1 :])
    talk.say("correction")  # the igniter, three states of power ago
    assert "igniter resistance" in talk.answer.lower()
    talk.say("open", "yes")
    assert "would lead to new igniter. It needs other states" in talk.answer
    assert talk.state.step == "line"


def test_correction_with_nothing_to_take_back():
    assert "no reading to take back" in Talk().begin().say("correction").answer


def test_a_skip_needs_a_reason_and_is_recorded():
    talk = at(*LIVE).say("skip")
    assert talk.state.phase is Phase.REASON
    talk.say("no meter")
    assert talk.note("skipped") == {"step": "line", "reason": "no meter", "audio": "0001.flac"}
    assert talk.state.step == "polarity"


def test_an_unknown_reason_is_kept_as_recorded():
    assert at(*LIVE).say("skip", "banana").note("skipped")["reason"] == "as recorded"


def test_a_step_that_makes_others_safe_cannot_be_skipped():
    talk = at(*ARRIVED, "understood").say("skip")
    assert "cannot be skipped" in talk.answer
    assert talk.state.step == "isolate"


def test_proved_dead_is_asked_twice():
    talk = at(*DEAD[:-3])
    assert talk.state.step == "prove-dead"
    talk.say("yes")
    assert talk.state.phase is Phase.CONFIRMING
    assert talk.state.site.power == "isolated"
    assert talk.say("yes").state.site.power == "dead"


def test_no_to_proved_dead_goes_back_to_isolating():
    assert at(*DEAD[:-3]).say("no", "yes").state.step == "isolate"


def test_go_back_only_where_power_and_gas_allow_it():
    talk = at(*DEAD).say("go back")
    assert talk.state.step == "connections"
    talk = at(*LIVE).say("go back")
    assert "I cannot go back" in talk.answer


def test_hold_and_go_on_voice_the_warning_again():
    talk = at(*ARRIVED, "understood").say("hold")
    assert talk.state.phase is Phase.HOLDING
    assert talk.say("done").state.phase is Phase.HOLDING
    assert "Lock and tag" in talk.say("go on").answer


def test_say_again_repeats_the_last_words():
    talk = at(*DEAD)
    said = talk.answer
    assert talk.say("say again").answer.split(". ")[-1] == said.split(". ")[-1]
    assert talk.say("say again").answer.split(". ")[-1] == said.split(". ")[-1]


def test_what_is_the_limit_gives_value_authority_and_source():
    talk = at(*LIVE).say("what is the limit")
    assert "Generic limit, from one zero two to one three two volts, caution below" in talk.answer
    assert "from memory, verify" in talk.answer
    assert at(*DEAD, plate={}).say("what is the limit").answer.startswith("No limit is known.")


def test_how_far_note_and_helper():
    talk = at(*LIVE).say("how far")
    assert "Step 19 of 53" in talk.answer  # of a visit on which nothing is found wrong
    talk.say("note")
    assert talk.state.phase is Phase.NOTING
    assert talk.say("banana").note("note")["audio"] == "0001.flac"
    assert talk.say("take a note banana").kinds() == ["note"]
    talk.say("helper reading", "one twenty one")
    assert talk.note("reading")["speaker"] == "helper"
    assert talk.state.speaker == "technician"


def test_two_marks_are_a_time():
    talk = at(*LIT, "two microamps", "yes", "six point eight", "yes", "three point five", "yes", "mark", "+19 mark")
    assert talk.note("reading")["value"] == "19.0"
    assert talk.note("reading")["unit"] == "second"


def test_findings_follow_from_readings():
    talk = at(
        *LIT, "two microamps", "yes", "six point eight", "yes",
        "three point five", "yes", "twenty four seconds",
    )  # fmt: skip
    assert talk.note("finding")["value"] == "77250"
    talk.say("no", "sixty eight degrees", "one twenty degrees")
    assert (talk.note("finding")["value"], talk.note("finding")["verdict"]) == ("52", "pass")
    talk.say("seven point five", "twenty eight parts", "yes")
    assert talk.note("finding")["finding"] == "co-air-free"
    assert talk.state.step == "monoxide-steady"


def test_high_carbon_monoxide_in_the_flue_leads_to_shutting_down():
    talk = at(
        *LIT, "two microamps", "yes", "six point eight", "yes",
        "three point five", "yes", "twenty four seconds", "no", "sixty eight degrees", "one twenty degrees",
        "seven point five", "six hundred parts", "yes",
    )  # fmt: skip
    assert talk.note("finding")["verdict"] == "fail"
    assert talk.state.step == "shut-down"


def test_a_finding_that_lacks_a_reading_says_which():
    talk = at(
        *LIT, "two microamps", "yes", "six point eight", "yes",
        "three point five", "yes", "twenty four seconds", "no", "sixty eight degrees", "one twenty degrees",
        "skip", "no meter", "twenty eight parts", "yes",
    )  # fmt: skip
    assert "no figure for flue oxygen" in talk.answer


def test_a_step_that_the_job_cannot_feed_is_left_out():
    talk = at(
        *LIT, "two microamps", "yes", "six point eight", "yes",
        "three point five", "yes", gas=None,
    )  # fmt: skip
    assert "left-out" in talk.kinds()
    assert talk.state.step == "vent"


@pytest.mark.parametrize("words", ["emergency", "I smell gas", "gas leak", "[unk] smell gas [unk]"])
@pytest.mark.parametrize("where", [[], ARRIVED, DEAD, LIVE, [*LIVE, "skip"], [*LIVE, "note"], [*LIVE, "hold"]])
def test_emergency_words_work_everywhere(words, where):
    talk = at(*where).say(words)
    assert talk.state.phase is Phase.EMERGENCY
    assert "Leave now" in talk.answer
    assert (talk.state.site.power, talk.state.site.gas) == ("unknown", "unknown")


def test_an_emergency_ends_only_with_area_clear_a_name_and_a_yes():
    talk = at(*LIVE).say("gas leak")
    for words in ("yes", "go on", "next", "understood", "skip", "hold", "correction", "stop"):
        assert talk.say(words).state.phase is Phase.EMERGENCY
    talk.say("area clear", "robin roe of the gas supplier")
    assert talk.note("cleared-by")["audio"] == "0001.flac"
    assert talk.say("no").state.phase is Phase.EMERGENCY
    talk.say("area clear", "robin roe", "yes")
    assert talk.state.step == "arrival-air"


def test_readings_said_ahead_do_not_outlive_an_emergency():
    talk = at(*LIVE).say("neutral to ground point four")
    assert talk.state.ahead
    assert talk.say("gas leak").state.ahead == ()


def test_carbon_monoxide_of_seventy_is_an_emergency():
    talk = Talk().begin().say("seventy parts per million")
    assert "leave now" in talk.answer.lower()
    assert talk.say("yes").state.phase is Phase.EMERGENCY
    assert at("sixty nine parts per million", "yes").state.step == "air-out"


def test_smell_of_gas_at_the_door_is_an_emergency():
    assert at(*ARRIVED[:2]).say("yes").state.phase is Phase.EMERGENCY


@pytest.mark.parametrize("where", [[], ARRIVED, DEAD, LIVE, [*LIVE, "skip"], [*LIVE, "note"]])
def test_stop_holds_everywhere(where):
    talk = at(*where).say("stop")
    assert talk.state.phase is Phase.HOLDING
    assert "Hands out" in talk.answer


def test_the_end_says_what_was_found_and_what_was_not_checked():
    rest = [
        "one point three microamps", "yes", "skip", "no access", "three point five", "yes", "twenty four seconds", "no",
        "sixty eight degrees", "one twenty degrees", "seven point five", "twenty eight parts", "yes", "yes",
        "understood", "mark", "+1 mark", "yes", "yes", "three", "yes", "yes", "understood", "done", "understood", "yes",
        "yes", "done", "understood", "yes", "yes", "understood", "done", "understood", "done", "understood", "no",
        "yes", "understood", "yes", "four parts", "yes", "understood", "no", "yes", "no",
    ]  # fmt: skip
    talk = at(*LIT, *rest)
    assert talk.state.phase is Phase.DECIDING
    assert "Found, flame signal, caution, one point three microamps." in talk.answer
    assert "Not checked, inlet pressure at full fire. Reason, no access." in talk.answer
    assert "Found, the customer was not told." in talk.answer
    talk.say("yes", "yes", "yes", "robin roe", "clean the flame rod next time")
    assert talk.state.phase is Phase.CLOSED
    assert "no permission" in talk.answer
    assert talk.note("closed")["site"] == {"power": "live", "gas": "on"}
    assert talk.note("closed")["stays_on"] is True
    assert talk.say("yes", "stop").state.phase is Phase.CLOSED


def test_after_an_interruption_what_was_pending_is_asked_again():
    talk = at(*LIVE).say("one forty one volts")
    talk.event(Opened(resumed=True))
    assert "I heard one, four, one volts. Is that right?" in talk.answer
    talk = at(*ARRIVED).event(Opened(resumed=True))
    assert "Lock and tag" in talk.answer
    assert talk.state.phase is Phase.WARNING


def test_quiet_says_what_is_waited_for():
    talk = at(*DEAD).event(Quiet(30.0))
    assert talk.answer == "I am listening. Unplug the igniter and read its cold resistance."


def test_nothing_is_worded_as_a_permission():
    import re

    texts = [s.say for p in library().procedures.values() for s in p.steps]
    texts += [h.say for h in library().hazards.values()]
    forbidden = re.compile(r"\b(is safe|safe to|you may|you can|allowed to|approved|permitted|good to go)\b", re.I)
    assert [text for text in texts if forbidden.search(text)] == []


def test_every_phase_has_transitions_and_every_command_one_somewhere(language):
    assert set(TRANSITIONS) == set(Phase)
    commands = {rule.replace("_", "-") for rule in language.grammar.public["commands"]}
    handled = set(EVERYWHERE) | {key for table in TRANSITIONS.values() for key in table}
    assert commands <= handled


SAID = ["one twenty", "fifteen", "three fifty", "point oh five", "o l", "minus two", "one eighteen volts", "ten five",
        "between one and two", "four k seven", "one minute five", "sixty percent", "about forty", "two oh"]  # fmt: skip


@given(
    st.sampled_from(SAID),
    st.sampled_from(sorted(library().quantities)),
    st.tuples(st.decimals(-100, 0, places=1), st.decimals(0, 500, places=1)),
    st.booleans(),
)
def test_no_limit_changes_what_was_heard(text, name, bounds, plate_only):
    """The meaning is the same whatever passes, and whatever the plate says (decision 2)."""
    procedure = DIALOGUE.rules.procedure
    step = procedure.steps[0].model_copy(update={"quantity": name, "hazards": (), "power": (), "gas": ()})
    procedure = procedure.model_copy(update={"steps": (step, *procedure.steps[1:])})
    meanings = []
    for low, high in (bounds, (Decimal(-(10**9)), Decimal(10**9))):
        limit = DIALOGUE.rules.limits["line-voltage"].model_copy(
            update={"quantity": name, "unit": library().quantities[name].unit, "low": low, "high": high,
                    "caution_low": None, "caution_high": None, "plate_only": plate_only}
        )  # fmt: skip
        rules = replace(DIALOGUE.rules, procedure=procedure, limits={name: limit})
        dialogue = Dialogue(DIALOGUE.language, rules)
        state, _ = dialogue.step(dialogue.start(), Opened())
        meanings.append(dialogue.language.understand(text, dialogue.question(state), state.refused))
    assert meanings[0] == meanings[1]


COMMANDS = [
    "yes", "no", "done", "say again", "go back", "hold", "go on", "skip", "correction", "limit", "how far",
    "understood", "note", "mark", "helper", "area clear", "stop", "gas leak", "banana", "", "no meter",
    "one twenty", "open", "point five", "three five", "seventy parts", "six point eight inches", "nineteen seconds",
]  # fmt: skip


@given(st.integers(min_value=0, max_value=len(BURNING)), st.lists(st.sampled_from(COMMANDS), max_size=40))
def test_whatever_is_said_the_rules_of_safety_hold(begun, texts):
    talk = Talk(DIALOGUE).begin().say(*BURNING[:begun])
    understood: set[str] = set()
    for text in texts:
        before = talk.state
        talk.say(text)
        if talk.state.step != before.step or talk.state.phase is Phase.EMERGENCY:
            understood.clear()
        understood |= {note.body["step"] for note in talk.notes if note.kind == "understood"}
        opened_now = before.phase is Phase.WARNING and talk.state.phase is Phase.ASKING
        if opened_now and before.step == talk.state.step and not talk.state.correcting:
            hazards = [
                talk.dialogue.rules.hazards[name].level
                for name in talk.dialogue.rules.procedure.step(talk.state.step).hazards
            ]
            assert "danger" not in hazards or talk.state.step in understood
        step = talk.dialogue.rules.procedure.step(talk.state.step)
        if talk.state.phase is Phase.ASKING and not talk.state.correcting:
            # A question is open: its states hold, and its hazards were voiced to the end.
            assert not step.power or talk.state.site.power in step.power
            assert not step.gas or talk.state.site.gas in step.gas
            assert talk.state.warned or not step.hazards
        if before.phase is Phase.EMERGENCY and text != "area clear":
            assert talk.state.phase is Phase.EMERGENCY
        assert len(talk.state.readings) >= len(before.readings)  # nothing is ever erased


DIALOGUE = new_dialogue()


def test_a_correction_or_a_skip_thought_better_of_does_not_pass_a_warning_by():
    talk = at(*COLD)
    assert (talk.state.step, talk.state.phase) == ("fit-meters", Phase.WARNING)
    talk.say("correction", "open")
    assert (talk.state.step, talk.state.phase) == ("fit-meters", Phase.WARNING)
    talk.say("skip", "no")
    assert (talk.state.step, talk.state.phase) == ("fit-meters", Phase.WARNING)
    assert talk.say("understood").state.phase is Phase.ASKING


def test_a_reading_taken_back_and_not_read_again_is_told_at_the_end():
    talk = at(*LIVE).say("one twenty one", "correction", "skip")
    assert [s.reason for s in talk.state.skipped] == ["taken back and not read again"]
    assert talk.say("correction").answer  # and no reading is lost silently after it
