"""The second engine: strict sentences, and doubt where it hears another value."""

from __future__ import annotations

import numpy as np
import pytest

from assistant.files import top_folder
from assistant.language.automaton import automaton
from assistant.language.heard import Heard
from assistant.language.meaning import Question, Reading
from assistant.language.phrases import Expected
from assistant.speech.audio import read_audio
from assistant.speech.ears import hear_whole
from assistant.speech.recognizer import VoskRecognizer
from assistant.speech.second import TwoRecognizers
from assistant.speech.sphinx import SphinxRecognizer, read_pronunciations

VISIT = top_folder("audio_fixtures") / "visits" / "hot-surface.flac"


@pytest.fixture(scope="module")
def sphinx() -> SphinxRecognizer:
    return SphinxRecognizer(read_pronunciations(top_folder("grammars") / "pronunciations.dict"))


def first_utterance():
    sound = read_audio(VISIT)  # "three parts per million"
    return type(sound)(sound.samples[: int(3.0 * sound.rate_hz)], sound.rate_hz)


def takes(a, words: list[str]) -> bool:
    state = a.start
    for word in words:
        following = [to for source, said, to in a.arcs if source == state and said == word]
        if not following:
            return False
        (state,) = following
    return state in a.ends


def test_the_automaton_takes_just_the_sentences_of_the_rules(language):
    from random import Random

    a = automaton(language.grammar, ["amount", "open"])
    assert a.states < 200
    draw, words = Random(2), sorted(language.grammar.words("amount"))
    for _ in range(300):
        assert takes(a, list(language.grammar.sample("amount", draw.random).words))
    for _ in range(300):
        text = draw.choices(words, k=draw.randint(1, 5))
        assert takes(a, text) == bool(language.grammar.parse("amount", text) or language.grammar.parse("open", text))


def test_every_word_of_the_grammars_has_a_pronunciation(sphinx, language):
    words = {w for rules in language.grammar.public.values() for r in rules for w in language.grammar.words(r)}
    assert sphinx.missing(sorted(words)) == []


def test_it_hears_a_reading_of_the_fixture(sphinx, language, ask):
    heard, _ = hear_whole(sphinx, first_utterance(), Expected(language, ask("ambient-co")))
    assert isinstance(language.understand(heard.text, ask("ambient-co")), Reading)
    assert heard.words[-1].start_s > heard.words[0].start_s > 0.3


def test_two_utterances_at_once_and_one_that_is_let_go_do_not_disturb_each_other(sphinx, language, ask):
    expected = Expected(language, ask("ambient-co"))
    quiet = np.zeros(6400, np.int16)
    sound = np.concatenate([quiet, first_utterance().samples, quiet])
    parts = np.split(sound, range(512, len(sound), 512))
    alone = sphinx.hearing(expected)
    for part in parts:
        alone.accept(part)
    text = alone.finish().text
    assert "three parts per million" in text

    first = sphinx.hearing(expected)
    for at, part in enumerate(parts):
        first.accept(part)
        if at == len(parts) // 3:
            beside, _ = hear_whole(sphinx, first_utterance(), Expected(language, Question("between")))
        if at == len(parts) // 2:
            sphinx.hearing(expected).accept(part)  # nobody wants it any more
    assert beside.text != text
    assert "three parts per million" in first.finish().text  # how loud people are is learnt from one to the next
    assert len(sphinx._decoders) == 2


def test_commands_are_heard_where_no_reading_is_asked(sphinx, language):
    heard, _ = hear_whole(sphinx, first_utterance(), Expected(language, Question("told")))
    assert "three" not in heard.text.split()


class Fixed:
    """An engine that hears one text."""

    rate_hz = 16000
    name = "fixed"

    def __init__(self, text: str) -> None:
        self.text = text

    def missing(self, words):
        return []

    def hearing(self, expected, alternatives=True):
        return self

    def accept(self, block):
        pass

    def partial(self):
        return self.text

    def finish(self):
        return Heard(self.text)


@pytest.mark.parametrize(("second", "doubts"), [("one thirty", True), ("one two zero", False), ("say again", False)])
def test_the_second_engine_can_only_cast_doubt(language, ask, second, doubts):
    question = ask("line-voltage")
    both = TwoRecognizers(Fixed("one twenty"), Fixed(second))
    hearing = both.hearing(Expected(language, question))
    hearing.accept(np.zeros(160, np.int16))
    heard = hearing.finish()
    assert heard.text == "one twenty"
    assert bool(language.rivals(heard, language.understand(heard.text, question), question)) == doubts


def test_both_engines_hear_the_fixture(sphinx, language, ask):
    vosk = VoskRecognizer(top_folder("models_manifest") / "field_model")
    heard, _ = hear_whole(TwoRecognizers(vosk, sphinx), first_utterance(), Expected(language, ask("ambient-co")))
    assert heard.text == "three parts per million"
    assert heard.second
