"""The grammars as a whole: their words can be heard, their commands told apart, their rules reached."""

from __future__ import annotations

import itertools
from pathlib import Path

import pocketsphinx
import pytest
from rapidfuzz.distance import Levenshtein

from assistant.files import top_folder
from assistant.language.jsgf import Ref
from assistant.speech.recognizer import VoskRecognizer

# Phones in which two commands must differ at least. One stressed vowel and one consonant apart is heard apart.
APART = 2
# Allowed to be nearer: a note taken by mistake costs nothing, since the question is asked again after it; and of "help"
# and "helper" the answer tells at once which was heard ("Helper, go ahead"), and neither takes a reading.
NEARER = {("no", "note"), ("nope", "note"), ("help", "helper")}


def test_every_word_can_be_heard_by_the_bundled_model(shelf):
    recognizer = VoskRecognizer(top_folder("models_manifest") / "field_model")
    words = shelf.grammar.vocabulary
    assert len(words) > 200
    assert recognizer.missing(sorted(words)) == []


def test_no_two_commands_sound_alike(shelf):
    """By the pronunciations that the bundled model is built with: the CMU dictionary's and the project's own."""
    sounds: dict[str, list[tuple[str, ...]]] = {}
    dictionary = Path(pocketsphinx.get_model_path("en-us")) / "cmudict-en-us.dict"
    for pronunciations in (dictionary, top_folder("models_manifest") / "build" / "pronunciations.dict"):
        for line in pronunciations.read_text(encoding="utf-8").splitlines():
            word, *phones = line.partition("#")[0].split() or [""]
            sounds.setdefault(word.split("(")[0], []).append(tuple(phones))

    def spoken(sentence: str) -> list[tuple[str, ...]]:
        return [sum(each, ()) for each in itertools.product(*(sounds[word] for word in sentence.split()))]

    forms = [(rule, s) for rule in shelf.grammar.public["commands"] for s in shelf.grammar.sentences(rule)]
    near = set()
    for (rule, one), (other_rule, two) in itertools.combinations(forms, 2):
        if rule != other_rule:
            distance = min(Levenshtein.distance(a, b) for a in spoken(one) for b in spoken(two))
            if distance < APART:
                near.add((one, two))
    assert near <= NEARER


def test_every_rule_can_be_reached(shelf):
    public = [rule for rules in shelf.grammar.public.values() for rule in rules]
    reached = {leaf.rule for rule in public for leaf in shelf.grammar.leaves(rule) if isinstance(leaf, Ref)}
    assert set(shelf.grammar.rules) - reached == set()


@pytest.mark.parametrize("rule", ["decoy", "reason"])
def test_decoys_and_reasons_are_no_answers(shelf, language, ask, rule):
    from assistant.language.meaning import Command, Reading

    for sentence in shelf.grammar.sentences(rule):
        meaning = language.understand(sentence, ask("line-voltage"))
        assert not isinstance(meaning, Command | Reading), sentence
