"""Each emergency is told by what it is of, and what is none is not taken for one."""

from __future__ import annotations

from dataclasses import replace
from decimal import Decimal

import pytest
from scripted_visits import demo_job

from assistant.dialogue.effects import Note, Say
from assistant.dialogue.events import Event, Opened, Said, Voiced
from assistant.dialogue.figures import calls_for_leaving, judge_reading
from assistant.dialogue.machine import Dialogue
from assistant.dialogue.setting_up import SettingUp, SetUp
from assistant.dialogue.state import Candidate, Phase
from assistant.files import library
from assistant.language.heard import Heard
from assistant.language.jsgf import read_grammars
from assistant.language.utterance import Language
from assistant.trade.limits import GenericLimit
from assistant.wording import english as wording


class Talk:
    """A visit of the demo's job in which people say things; what the last of them came to."""

    def __init__(self, *sayings: str) -> None:
        self.dialogue = Dialogue(library().language, library().rules_for(demo_job()))
        self.state = self.dialogue.start()
        self.event(Opened())
        self.say(*sayings)

    def say(self, *sayings: str) -> Talk:
        for words in sayings:
            self.event(Said(Heard(words)))
        return self

    def event(self, event: Event) -> None:
        self.notes: dict[str, dict] = {}
        said: list[str] = []
        while True:
            self.state, effects = self.dialogue.step(self.state, event)
            self.notes |= {effect.kind: effect.body for effect in effects if isinstance(effect, Note)}
            says = [effect.text for effect in effects if isinstance(effect, Say)]
            if not says:
                break
            said += says
            event = Voiced(complete=True)
        self.answer = " ".join(said)


CRIES = [
    ("emergency", "unknown"),
    ("get out", "unknown"),
    ("i smell gas", "gas"),
    ("there is a leak", "gas"),
    ("i smell propane", "gas"),
    ("it smells like gas in here", "gas"),
    ("emergency gas leak", "gas"),
    ("odour", "gas"),
    ("c o alarm", "carbon monoxide"),
    ("the carbon monoxide alarm", "carbon monoxide"),
    ("fire", "fire"),
    ("fire fire fire", "fire"),
    ("it is burning", "fire"),
    ("flames outside", "fire"),
]
NO_CRIES = [
    "no leaks", "no leak", "there is no leak", "no fire", "full fire", "at full fire", "did it fire", "it did fire",
    "yes fire", "[unk] fire", "yes it is burning", "it is burning blue", "cannot get out", "carbon monoxide",
    "carbon monoxide twenty eight parts", "flame out", "[unk]",
]  # fmt: skip
A_READING: list[str] = []
A_CHECK = ["three parts per million", "yes"]
"""Where the ambient CO is read, and at "Do you smell any gas?"."""


@pytest.mark.parametrize(("words", "kind"), CRIES)
@pytest.mark.parametrize("where", [A_CHECK, A_READING], ids=["check", "reading"])
def test_what_is_cried_out_is_in_the_entry_and_decides_what_is_said(words, kind, where):
    talk = Talk(*where).say(words)
    assert talk.state.phase is Phase.EMERGENCY
    assert talk.notes["emergency"] == {"why": words, "step": talk.state.step, "kind": kind}
    assert talk.answer == wording.ALARMS[kind]


@pytest.mark.parametrize("words", NO_CRIES)
@pytest.mark.parametrize("where", [A_CHECK, A_READING], ids=["check", "reading"])
def test_an_answer_that_holds_such_a_word_is_no_emergency(words, where):
    talk = Talk(*where).say(words)
    assert talk.state.phase is not Phase.EMERGENCY
    assert "emergency" not in talk.notes
    assert not talk.dialogue.language.urgent(words)


@pytest.mark.parametrize("words", ["no gas smell", "no smell of gas", "no gas leak", "no emergency"])
@pytest.mark.parametrize("where", [A_CHECK, A_READING], ids=["check", "reading"])
def test_a_no_before_it_is_asked(words, where):
    """A "no" in answer to a question, or of somebody startled; over the voice it cuts it off all the same."""
    before = Talk(*where)
    talk = Talk(*where).say(words)
    assert talk.answer == "Did you mean, emergency?"
    assert talk.dialogue.language.urgent(words) == "emergency"
    assert talk.say("no").state.step == before.state.step
    assert talk.say(words, "yes").state.phase is Phase.EMERGENCY
    kind = "unknown" if words == "no emergency" else "gas"
    assert talk.notes["emergency"] == {"why": words, "step": talk.state.step, "kind": kind}


def test_carbon_monoxide_alone_is_asked():
    talk = Talk().say("carbon monoxide")
    assert talk.answer == "Did you mean, emergency?"
    assert talk.say("yes").notes["emergency"]["kind"] == "carbon monoxide"


def test_what_everybody_is_told():
    for told in wording.ALARMS.values():
        assert "Leave now. Get everybody out." in told
        assert "Leave this device where it is." in told
        assert "outside." in told
    assert "gas supplier" in wording.ALARMS["gas"]
    assert not [kind for kind in wording.ALARMS if kind != "gas" and "supplier" in wording.ALARMS[kind]]
    assert "fire department from outside" in wording.ALARMS["fire"]
    assert "Shut gas or power only from outside." in wording.ALARMS["fire"]


def test_the_grammar_knows_no_other_kind(language):
    kinds = {language.emergency(words) for words in language.grammar.sentences("emergency")}
    assert kinds == set(wording.ALARMS)


def test_a_smell_at_the_door_is_of_gas_and_a_reading_says_itself_what_it_is_of():
    assert Talk(*A_CHECK).say("yes").notes["emergency"]["kind"] == "gas"
    talk = Talk().say("seventy parts per million", "yes")
    assert talk.notes["emergency"] == {"why": "ambient-co 70", "step": "arrival-air", "kind": "carbon monoxide"}
    assert talk.answer.endswith(wording.ALARMS["carbon monoxide"])


@pytest.mark.parametrize(
    ("quantity", "value", "kind"), [("ambient-co", 70, "carbon monoxide"), ("combustible-gas", 10, "gas")]
)
def test_rules_of_older_records_tell_no_kind_and_mean_what_they_meant(quantity, value, kind):
    dialogue = Talk().dialogue
    today = dialogue.rules.limits[quantity]
    old = today.model_dump(mode="json")
    del old["emergency_kind"]
    limits = {**dialogue.rules.limits, quantity: GenericLimit.model_validate(old)}
    then = Dialogue(dialogue.language, replace(dialogue.rules, limits=limits))
    assert today.emergency_kind == kind
    for worked in (dialogue, then):
        read = judge_reading(worked, worked.start(), Candidate(Decimal(3), "ppm"))
        taken = replace(read, quantity=quantity, judged=Decimal(value))
        assert calls_for_leaving(worked, taken) == kind
        assert calls_for_leaving(worked, replace(taken, judged=Decimal(value) - 1)) is None


def test_grammars_of_older_records_tell_no_kind_and_all_was_gas():
    texts = dict(library().grammar_texts)
    lines = texts["commands.jsgf"].split("public <emergency>")
    texts["commands.jsgf"] = (
        lines[0] + "public <emergency> = emergency | i smell gas | smell gas | gas leak | odour | fire;"
    )
    texts["commands.jsgf"] += "<timer_time>" + lines[1].split("<timer_time>", 1)[1]
    language = Language(read_grammars(texts), library().quantities)
    for words in ("emergency", "well [unk] i think i smell gas here", "odour", "fire"):
        assert language.emergency(words) == "gas"
    for words in ("full fire", "the odour", "get out", "no leaks"):
        assert language.emergency(words) is None
    talk = Talk()
    talk.dialogue = Dialogue(language, talk.dialogue.rules)
    for words in (["i smell gas"], ["area clear", "robin roe", "yes", *A_CHECK, "yes"]):
        talk.say(*words)
        assert set(talk.notes["emergency"]) == {"why", "step"}
        assert talk.answer == wording.ALARMS["gas"]


def test_in_the_set_up_too():
    setup = SetUp(library().language, library().quantities, library().set_up, library().worked)
    _, effects = setup.step(SettingUp({}), Said(Heard("fire")))
    note, emergency, *told = effects
    assert (note.kind, note.body["decided"]) == ("set-up", "emergency")
    assert (emergency.kind, emergency.body) == ("emergency", {"why": "fire", "step": "set up", "kind": "fire"})
    assert " ".join(say.text for say in told) == wording.ALARMS["fire"]


def test_a_visit_that_was_closed_is_opened_again():
    talk = Talk()
    talk.state = replace(talk.state, at=Phase.CLOSED, step="told")
    assert talk.say("gas leak").state.phase is Phase.EMERGENCY
    assert talk.answer == wording.ALARMS["gas"]
    talk.say("area clear", "robin roe", "yes")
    assert (talk.state.step, talk.state.path) == ("arrival-air", ())
