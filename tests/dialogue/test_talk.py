"""How much is said: the brief talk leaves no warning out, safety answers take their yes, and nothing is a dead end."""

from __future__ import annotations

from collections.abc import Iterator
from random import Random

import pytest
import simulated
from script import Script, patience
from scripted_visits import VALUES
from simulated import FOUR, language

from assistant.dialogue.effects import Effect, Note, Say
from assistant.dialogue.events import Clock, Opened, Quiet, Said, Voiced
from assistant.dialogue.machine import Dialogue
from assistant.dialogue.state import Confirming, HeardAnswer, Phase, Proposing, State
from assistant.files import library, read_job, top_folder
from assistant.language.heard import Heard
from assistant.language.meaning import Unclear
from assistant.session.loop import stretches
from assistant.trade.job import Job
from assistant.trade.procedures import EMERGENCY, Step, after_step

ALL = sorted(library().procedures)
READINGS = {**VALUES, "combustible-gas": "zero percent"}


def job_of(name: str, pace: str) -> Job:
    return simulated.job_for(library().procedures[name]).model_copy(update={"pace": pace})


class Talk:
    """A visit in words. A patient technician: every wait is waited."""

    def __init__(self, job: Job) -> None:
        self.dialogue = Dialogue(language(), library().rules_for(job))
        self.state = self.dialogue.start()
        self.at_s = 0.0
        self.effects: list[Effect] = []
        self.event(Opened())

    def event(self, event) -> Talk:
        self.effects = []
        while True:
            self.state, effects = self.dialogue.step(self.state, event)
            self.effects += effects
            if not any(isinstance(effect, Say) for effect in effects):
                return self
            event = Voiced(complete=True)

    def say(self, *texts: str) -> Talk:
        for text in texts:
            self.at_s = patience(self.state, self.at_s + 5)
            self.event(Said(Heard(text), self.at_s, "0001.flac"))
        return self

    def go_on(self, script: Script) -> Talk:
        said = script.answer(self.dialogue, self.state)
        return self.say("done" if said == "mark" else said)

    def on_to(self, step: str) -> Talk:
        script = Script(READINGS)
        for _ in range(400):
            if self.state.step == step and self.state.at is Phase.ASKING:
                return self
            self.go_on(script)
        raise AssertionError(f"it does not come to {step}, but to {self.state.step}")

    @property
    def told(self) -> str:
        return " ".join(effect.text for effect in self.effects if isinstance(effect, Say))

    @property
    def notes(self) -> dict[str, dict]:
        return {effect.kind: effect.body for effect in self.effects if isinstance(effect, Note)}


def hot_surface(pace: str = "full") -> Talk:
    job = read_job(top_folder("audio_fixtures") / "visits" / "hot-surface.job.yaml")
    return Talk(job.model_copy(update={"pace": pace}))


# --- warnings in the brief talk


def warnings(talk: Talk) -> Iterator[tuple[Step, State, list[str], bool]]:
    """Each step that is opened with warnings on a visit: the state before, what was voiced, whether it waits."""
    script = Script(READINGS)
    for _ in range(400):
        voiced = [effect.text for effect in talk.effects if isinstance(effect, Say) and effect.manner == "hazard"]
        if voiced:
            step = talk.dialogue.rules.procedure.step(talk.state.step)
            yield step, talk.state, voiced, talk.state.phase is Phase.WARNING
        if talk.state.phase is Phase.CLOSED:
            return
        talk.go_on(script)
    raise AssertionError("the visit does not end")


@pytest.mark.parametrize("name", ALL)
def test_the_brief_talk_voices_every_warning_and_lowers_none(name):
    talk = Talk(job_of(name, "brief"))
    known: dict[str, set] = {}
    last = ""
    for step, state, voiced, waits in warnings(talk):
        hazards = [(hazard, talk.dialogue.rules.hazards[hazard]) for hazard in step.hazards]
        said = " ".join(voiced)
        new_danger = False
        for hazard, of in hazards:
            just_before = of.always and known.get(hazard) and last in {each.step for each in state.warned_of}
            again = state.site in known.get(hazard, ()) and not of.always
            if of.short and (again or just_before) and of.say not in said:
                assert of.short in said, (step.id, hazard)
            else:
                assert of.say in said, (step.id, hazard)
                new_danger = new_danger or of.level == "danger"
            known.setdefault(hazard, set()).update((state.site, after_step(state.site, step, "done")))
        assert waits == new_danger, step.id
        last = step.id


@pytest.mark.parametrize("name", FOUR)
def test_lock_out_the_test_for_dead_and_lighting_are_acknowledged_each_time(name):
    talk = Talk(job_of(name, "brief"))
    script = Script(READINGS)
    lights, understood = [], []
    for _ in range(400):
        step = talk.state.step
        if talk.state.phase is Phase.WARNING and {"light-off", "lock-out"} & set(
            talk.dialogue.rules.procedure.step(step).hazards
        ):
            lights.append(step)
        talk.go_on(script)
        if "understood" in talk.notes:
            understood.append(step)
    assert lights
    assert set(lights) <= set(understood)


def test_a_known_warning_comes_back_in_a_few_words_and_a_new_state_has_it_whole_again():
    talk = hot_surface("brief").on_to("gas-back")
    assert talk.told.startswith("Gas on, no flame.")
    assert "Say understood." not in talk.told
    assert all(len(of.short.split()) <= 5 for of in library().hazards.values())
    full = hot_surface("full")
    script = Script(READINGS)
    for _ in range(400):
        if full.state.step == "gas-back":
            break
        full.go_on(script)
    assert "Gas is about to be on." in full.told


def test_after_an_interruption_every_warning_is_whole_again():
    talk = hot_surface("brief").on_to("gas-back").event(Opened(resumed=True))
    assert "Gas is about to be on." in talk.told


def test_the_brief_talk_says_in_two_words_that_noise_is_why_it_asks():
    talk = hot_surface("brief").on_to("igniter-cold").event(Said(Heard("sixty two ohms"), over_noise_db=3.0))
    assert talk.told.endswith("Loud here, I heard six, two?")


@pytest.mark.parametrize("name", FOUR)
def test_nothing_that_the_brief_talk_says_would_be_an_answer(name):
    talk, heard = Talk(job_of(name, "brief")), []
    script = Script(READINGS)
    for _ in range(400):
        says = [effect for effect in talk.effects if isinstance(effect, Say)]
        for text in [say.text for say in (*says, *stretches(says))]:
            question = talk.dialogue.question(talk.state)
            if not isinstance(language().understand(text, question, talk.state.hand.refused), Unclear):
                heard.append(text)
        if talk.state.phase is Phase.CLOSED:
            break
        talk.go_on(script)
    assert heard == []


def test_no_warning_is_an_emergency_word_in_short():
    shorts = {name: of.short for name, of in library().hazards.items()}
    assert {name: text for name, text in shorts.items() if language().urgent(text)} == {}


# --- the pace


def test_the_pace_is_the_job_s_and_changes_by_voice_as_an_entry():
    talk = hot_surface("brief")
    assert "Ambient C O." in talk.told
    assert "Read the ambient C O." in talk.say("talk more").told
    assert talk.notes["talk-set"] == {"pace": "full"}
    assert "Ambient C O." in talk.say("talk less").told


def test_a_reading_and_its_verdict_come_in_one_breath():
    talk = hot_surface("brief").on_to("igniter-cold")
    assert "Six, two, pass, plate." in talk.say("sixty two ohms").told
    full = hot_surface("full").on_to("igniter-cold")
    assert "I have six, two ohms. Pass, plate limit." in full.say("sixty two ohms").told


def test_one_look_at_one_place_is_one_list():
    talk = hot_surface("brief").on_to("vent-clear")
    assert talk.told.endswith("Heat exchanger whole? All in order?")
    talk.say("all good")
    assert talk.told == "I heard all good?"
    talk.say("yes")
    answered = [effect.body["step"] for effect in talk.effects if isinstance(effect, Note) and effect.kind == "answer"]
    assert answered == ["vent-clear", "jumpers-before", "filter", "combustion-air", "chamber", "exchanger"]
    assert talk.state.step == "limit-switch"


def test_a_list_that_is_not_all_good_is_asked_one_by_one():
    talk = hot_surface("brief").on_to("vent-clear").say("no")
    assert talk.told == "Vent, intake and drain clear?"
    assert talk.state.answers[-1].step != "vent-clear"


# --- safety answers


def checks() -> dict[str, Step]:
    return {
        step.id: step for procedure in library().procedures.values() for step in procedure.steps if step.kind == "check"
    }


def test_every_check_that_is_a_safety_test_or_forbids_something_needs_a_yes():
    assert [step.id for step in checks().values() if (step.proves or step.forbids) and not step.confirm] == []


@pytest.mark.parametrize("name", FOUR)
def test_no_safety_answer_is_taken_at_once_and_none_before_its_wait(name):
    """Good and bad alike; but where everybody has to leave nobody is asked whether that was meant."""
    talk = Talk(job_of(name, "full"))
    script, seen = Script(READINGS), set()
    for _ in range(400):
        step = talk.dialogue.rules.procedure.step(talk.state.step)
        if talk.state.at is Phase.ASKING and step.confirm and step.id not in seen:
            seen.add(step.id)
            for answer in ("yes", "no"):
                leaves = talk.dialogue.rules.procedure.after(step, answer) == EMERGENCY
                event = Said(Heard(answer), patience(talk.state, talk.at_s + 5), "0001.flac")
                after, _ = talk.dialogue.step(talk.state, event)
                expected = Phase.EMERGENCY if leaves else Phase.CONFIRMING
                assert after.phase is expected, (step.id, answer)
                if not leaves:
                    assert after.at == Confirming(HeardAnswer(answer, answer))
                    assert after.answers == talk.state.answers
        talk.go_on(script)
    assert len(seen) > 8


def test_a_good_answer_waits_for_the_end_of_its_wait_and_a_bad_one_does_not():
    talk = hot_surface().on_to("vent")
    began = max(timer.from_s for timer in talk.state.timers if timer.step == "vent")
    soon = began + 25.0
    after, effects = talk.dialogue.step(talk.state, Said(Heard("no"), soon))
    assert [effect.text for effect in effects if isinstance(effect, Say)] == [
        "Not yet.",
        "4 minutes and 35 seconds to wait.",
    ]
    assert after.answers == talk.state.answers
    assert after.at is Phase.ASKING
    bad, _ = talk.dialogue.step(talk.state, Said(Heard("yes"), soon))
    assert bad.at == Confirming(HeardAnswer("yes", "yes"))


# --- no dead ends


def test_a_value_that_was_refused_and_is_heard_again_may_be_confirmed():
    talk = hot_surface().on_to("inlet-standing").say("seven point two inches", "no", "seven point two inches")
    assert "I hear the same value again, that you refused." in talk.told
    talk.say("seven point two inches")
    assert talk.told == "I heard seven, point, two inches of water. Is that right?"
    assert talk.say("yes").notes["reading"]["value"] == "7.2"


def test_a_proposal_dies_with_the_next_answer_and_with_a_no():
    talk = hot_surface().on_to("line").say("what is the limits")
    assert isinstance(talk.state.at, Proposing)
    talk.say("one twenty one volts")
    assert talk.notes["reading"]["value"] == "121"
    talk = hot_surface().on_to("line").say("what is the limits", "no", "what is the limits")
    assert talk.state.phase is Phase.ASKING
    assert "Did you mean" not in talk.told


def test_a_note_on_hold_comes_back_to_where_it_was_held():
    talk = hot_surface().on_to("line").say("hold", "note", "it is warm", "go on")
    assert (talk.state.step, talk.state.phase) == ("line", Phase.ASKING)


def test_a_command_that_was_nearly_said_keeps_its_argument():
    talk = hot_surface().on_to("line").say("work out the raise")
    assert isinstance(talk.state.at, Proposing)
    assert talk.say("yes").notes["not-worked-out"]["working"] == "temperature-rise"


PLAUSIBLE = [
    *("yes", "no", "done", "understood", "skip", "no access", "hold", "go on", "go back", "correction", "say again"),
    *("one twenty", "three point five inches", "open", "point six", "two point one microamps", "seventy degrees"),
    *(
        "note",
        "it is warm",
        "helper reading",
        "repair",
        "flame rod cleaned",
        "mark",
        "flame",
        "all good",
        "what is the limit",
    ),
    *("banana", "", "what is the limits", "hot to neutral one twenty one neutral to ground point four", "stop"),
    *("work out the rise", "symptom no glow", "timer one minute", "shut down", "talk less", "talk more", "how far"),
]
WAYS_ON = (
    "yes",
    "no",
    "skip",
    "hold",
    "go back",
    "done",
    "understood",
    "go on",
    "no access",
    "robin roe",
    "area clear",
)


def wander(seed: int, length: int = 40) -> tuple[Talk, str]:
    """A visit in which plausible things are said at random, then led on to its end; and why it did not end, if so."""
    draw = Random(seed)
    talk = Talk(job_of(draw.choice(FOUR), draw.choice(("brief", "full"))))
    for _ in range(length):
        if draw.random() < 0.05:
            talk.event(Quiet(30.0))
        if draw.random() < 0.05 and talk.dialogue.due_s(talk.state) is not None:
            talk.at_s = max(talk.at_s, talk.dialogue.due_s(talk.state) or 0.0)
            talk.event(Clock(talk.at_s))
        if draw.random() < 0.5:
            talk.go_on(Script(READINGS))
        else:
            talk.say(draw.choice(PLAUSIBLE))
    for _ in range(500):
        if talk.state.phase is Phase.CLOSED:
            return talk, ""
        before = talk.state
        talk.go_on(Script(READINGS))
        if (before.at, before.hand, before.step) == (talk.state.at, talk.state.hand, talk.state.step):
            talk.say(draw.choice(WAYS_ON))
    return talk, f"seed {seed}: it is at {talk.state.step} ({talk.state.phase.name})"


@pytest.mark.parametrize("seed", range(200))
def test_a_technician_who_says_anything_comes_to_the_end(seed):
    assert wander(seed)[1] == ""


def test_what_set_the_power_before_a_repair_is_taken_back_where_the_visit_is():
    talk = hot_surface().on_to("connections").say("repair", "igniter replaced", "yes")
    assert talk.state.step == "isolate"
    assert "Taken back: proved dead, yes." in talk.say("correction").told
    assert (talk.state.step, talk.state.site.power, talk.state.site.gas) == ("isolate", "unknown", "unknown")
    assert talk.on_to("connections").state.site.gas == "shut"


def test_a_correction_that_forbids_the_open_step_closes_it():
    talk = hot_surface().on_to("inlet-standing").say("correction", "no", "yes")
    assert talk.state.answers[-1].text == "the gas valve leaks through"
    assert talk.say("seven point two inches", "yes").state.phase is Phase.BARRED
