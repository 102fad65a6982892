"""A small part of `make torture`; the whole of it takes minutes."""

import cuts
import torture
from scripted_ears import Person, open_visit
from scripted_visits import EVENTFUL

from assistant.dialogue.effects import Say
from assistant.dialogue.events import Opened
from assistant.dialogue.state import Answer, Phase, Taken


def test_kill_9_loses_no_acknowledged_reading_and_the_visit_goes_on_at_its_step():
    killed = torture.kill(12)
    assert killed.kills == 12
    assert killed.acknowledged > 5
    assert len(killed.resumed) > 5
    assert (killed.lost, killed.unsound, killed.wrong_step) == ([], [], [])


ODD = 0  # a seed of odd sayings, among them "correction" after an answer
EMERGENCY = {"odour": ["i smell gas"]}


def asked(path, person):
    """The states in which something was asked on a visit, one of each kind."""
    visit, states = open_visit(path, person), {}

    def say():
        state, hand = visit.state, visit.state.hand
        states.setdefault((state.phase, type(hand.correcting), bool(hand.untold)), state)
        return person()

    visit._ears._say = say
    person.visit = visit
    visit.run()
    visit.record.close()
    return visit.dialogue, states


def test_the_look_after_a_kill_knows_every_question_of_a_visit(tmp_path):
    people = {"plain": Person(EVENTFUL), "odd": Person(EVENTFUL, odd_in=5, seed=ODD), "gas": Person(EMERGENCY, most=12)}
    states = {}
    for name, person in people.items():
        dialogue, more = asked(tmp_path / f"{name}.sqlite", person)
        states |= more
    assert any(untold for _, _, untold in states)  # the times of a run that are asked in seconds
    assert {Phase.EMERGENCY, Phase.HOLDING} <= {phase for phase, _, _ in states}
    assert {Answer, Taken} <= {taken_back for phase, taken_back, _ in states if phase is Phase.ASKING}
    for state in states.values():
        resumed, effects = dialogue.step(state, Opened())
        assert resumed.step == state.step
        said = " ".join(effect.text for effect in effects if isinstance(effect, Say))
        assert torture.pending(state, dialogue.rules) in said
        others = {torture.pending(s, dialogue.rules) for s in states.values()} - {"Is that right?"}
        assert sum(other in said for other in others) <= 2, said  # and tells one question from another


def test_every_flipped_byte_is_found():
    flipped = torture.flip(every=977)
    assert sum(flipped.made.values()) > 80
    assert {"visit.sqlite", "visit.seal.jsonl", "0001.flac"} <= set(flipped.made)
    assert flipped.missed == []


def test_a_full_disk_is_told_aloud_and_the_visit_goes_on_when_there_is_room():
    filled = torture.fill(2)
    assert (filled.times, filled.told, filled.not_finished, filled.lost) == (2, 2, 0, [])


def test_a_phone_that_is_cut_off_loses_nothing_and_its_last_words_answer_nothing():
    cut = cuts.cut(5)
    assert cut.cuts == 5
    assert cut.said > 0
    assert (cut.lost, cut.from_before, cut.unsound) == ([], [], [])
