"""Nobody answers, and how the voice is set."""

from __future__ import annotations

from dataclasses import replace

import pytest

from assistant.dialogue.effects import Note, Say
from assistant.dialogue.events import Opened, Quiet, Said
from assistant.dialogue.machine import Dialogue
from assistant.dialogue.presence import MARKS_WAIT
from assistant.dialogue.state import Confirming, HeardAnswer, Holding, Mark, Phase, State, Warned, handed
from assistant.files import library, read_job, top_folder
from assistant.language.heard import Heard

JOB = read_job(top_folder("audio_fixtures") / "visits" / "hot-surface.job.yaml")
DIALOGUE = Dialogue(library().language, library().rules_for(JOB))


def at(step: str) -> State:
    state, _ = DIALOGUE.step(DIALOGUE.start(), Opened())
    return replace(handed(state, asked=True), step=step, at=Phase.ASKING)


def quiet(state: State, times: int) -> tuple[State, list]:
    effects: list = []
    for _ in range(times):
        state, effects = DIALOGUE.step(state, Quiet(30.0))
    return state, effects


def said(effects: list) -> list[tuple[str, str]]:
    return [(effect.text, effect.manner) for effect in effects if isinstance(effect, Say)]


def test_at_a_danger_nobody_who_answers_is_called_twice_then_the_alarm_sounds():
    for times, text, manner in (
        (1, "Are you there?", "call"),
        (2, "Are you there?", "call"),
        (3, "Nobody answers.", "alarm"),
        (4, "Nobody answers.", "alarm"),
    ):
        state, effects = quiet(at("isolate"), times)
        assert said(effects)[0] == (text, manner)
        note = next(effect for effect in effects if isinstance(effect, Note))
        assert note.kind == ("called" if times < 3 else "no-answer")
        assert note.body == {"step": "isolate", "times": times, "seconds": 30.0}
        assert state.silences == times


def test_an_answer_ends_the_calling():
    state, _ = quiet(at("isolate"), 2)
    state, _ = DIALOGUE.step(state, Said(Heard("say again")))
    assert said(quiet(state, 1)[1])[0] == ("Are you there?", "call")


def test_where_there_is_no_danger_it_only_says_that_it_listens():
    for times in (1, 4):
        assert said(quiet(at("look"), times)[1])[0] == ("I am listening.", "prompt")


def test_louder_and_slower_stay_set_and_have_an_end():
    state = at("look")
    for word, volume, pace in (("louder", 1, 0), ("louder", 2, 0), ("slower", 2, -1), ("faster", 2, 0)):
        state, effects = DIALOGUE.step(state, Said(Heard(word)))
        assert (state.volume, state.speed) == (volume, pace)
        assert Note("voice-set", {"volume": volume, "pace": pace}) in effects
    state, effects = DIALOGUE.step(state, Said(Heard("louder")))
    assert state.volume == 2
    assert said(effects)[0][0] == "That is as far as it goes."


@pytest.mark.parametrize(
    ("word", "back", "setting"),
    [
        ("louder", "quieter", "volume"),
        ("quieter", "louder", "volume"),
        ("faster", "slower", "speed"),
        ("slower", "faster", "speed"),
    ],
)
def test_each_setting_goes_two_steps_either_way_and_back(word, back, setting):
    state = at("look")
    way = 1 if word in ("louder", "faster") else -1
    for level in (way, 2 * way, 2 * way):
        state, effects = DIALOGUE.step(state, Said(Heard(word)))
        assert getattr(state, setting) == level
    assert said(effects)[0][0] == "That is as far as it goes."
    assert not any(isinstance(effect, Note) for effect in effects)
    for level in (way, 0, -way, -2 * way):
        state, _ = DIALOGUE.step(state, Said(Heard(back)))
        assert getattr(state, setting) == level
    assert state.volume == 0 or state.speed == 0  # the other one stayed


def test_a_run_that_is_being_marked_is_left_in_quiet_for_a_while():
    """Who speaks does not hear the next mark; but a run that never goes on is asked about in the end."""
    state = handed(at("sequence"), marks=(Mark(1000.0),))
    for _ in range(MARKS_WAIT):
        state, effects = DIALOGUE.step(state, Quiet(30.0))
        assert effects == []
    assert state.hand.marks == (Mark(1000.0),)
    _, effects = DIALOGUE.step(state, Quiet(30.0))
    assert said(effects)


@pytest.mark.parametrize(
    "phase", [Warned(), Phase.ASKING, Confirming(HeardAnswer("yes", "yes")), Holding(Phase.ASKING)]
)
def test_somebody_is_called_where_hands_may_be_in_and_not_on_hold(phase):
    called = said(quiet(replace(at("isolate"), at=phase), 1)[1])[0]
    on_hold = isinstance(phase, Holding)
    assert called == (("I am listening.", "prompt") if on_hold else ("Are you there?", "call"))


def test_a_closed_visit_calls_nobody():
    assert quiet(replace(at("isolate"), at=Phase.CLOSED), 4)[1] == []
