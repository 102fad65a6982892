"""A small part of `make torture`; the whole of it takes minutes."""

import cuts
import torture
from scripted_ears import Person, open_visit

from assistant.dialogue.effects import Say
from assistant.dialogue.events import Opened


def test_kill_9_loses_no_acknowledged_reading_and_the_visit_goes_on_at_its_step():
    killed = torture.kill(12)
    assert killed.kills == 12
    assert killed.acknowledged > 5
    assert len(killed.resumed) > 5
    assert (killed.lost, killed.unsound, killed.wrong_step) == ([], [], [])


def test_the_look_after_a_kill_knows_every_question_of_a_visit(tmp_path):
    person = Person(torture.EVENTFUL)
    visit = open_visit(tmp_path / "visit.sqlite", person)
    states = {}

    def say():
        states.setdefault((visit.state.phase, bool(visit.state.hand.untold)), visit.state)
        return person()

    visit._ears._say = say
    person.visit = visit
    assert visit.run()
    visit.record.close()
    assert any(untold for _, untold in states)  # the times of a run that are asked in seconds
    assert len(states) > 8
    for state in states.values():
        resumed, effects = visit.dialogue.step(state, Opened())
        assert resumed.step == state.step
        said = " ".join(effect.text for effect in effects if isinstance(effect, Say))
        assert torture.pending(state, visit.dialogue.rules) in said
        others = {torture.pending(s, visit.dialogue.rules) for s in states.values()} - {"Is that right?"}
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
