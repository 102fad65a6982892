"""Grammar files: reading, parsing, sampling, and what is said of their mistakes."""

from random import Random

import pytest

from assistant.language.jsgf import GrammarError, read_grammars

SMALL = """#JSGF V1.0;
grammar small;
// the words of a small language
<one> = one {1} | won {1};
public <pair> = <one> two [three];
public <many> = /9/ <one>+ | /1/ (none | <NULL> nothing);
"""


def test_every_derivation_is_found():
    grammar = read_grammars({"a.jsgf": "#JSGF V1.0; grammar a; <x> = b; <y> = b; public <z> = <x> c | <y> [c];"})
    assert len(grammar.parse("z", ["b", "c"])) == 2
    assert len(grammar.parse("z", ["b"])) == 1
    assert grammar.parse("z", ["c"]) == []


def test_tags_words_and_parts_are_kept():
    (node,) = read_grammars({"small.jsgf": SMALL}).parse("pair", ["won", "two", "three"])
    assert node.words == ("won", "two", "three")
    assert node.nodes("one")[0].tags == ("1",)


def test_what_can_come_next():
    grammar = read_grammars({"small.jsgf": SMALL})
    assert grammar.expected("pair", ["one"]) == {"two"}
    assert grammar.expected("pair", ["one", "two"]) == {"three"}
    assert grammar.expected("pair", ["one", "two", "three"]) == frozenset()


def test_words_know_their_place():
    word = read_grammars({"small.jsgf": SMALL}).words("pair")["three"]
    assert (word.file, word.line) == ("small.jsgf", 5)


def test_a_rule_that_begins_with_itself_ends():
    grammar = read_grammars({"a.jsgf": "#JSGF V1.0; grammar a; public <x> = <x> b | b;"})
    assert grammar.parse("x", ["b"])


MISTAKES = [
    ("#JSGF V1.0; grammar a; public <x> = ;", "line 1"),
    ("#JSGF V1.0; grammar a; public <x> = <y>;", "no rule is called <y>"),
    ("#JSGF V1.0; grammar a; <x> = b; <x> = c;", "written twice"),
    ("#JSGF V1.0; grammar a; import <nowhere.*>; <x> = b;", "no grammar has that name"),
    ("#JSGF V1.0;\ngrammar a;\n<x> = B0;", "line 3"),
    ("", "empty file"),
]


@pytest.mark.parametrize(("text", "said"), MISTAKES)
def test_a_mistake_is_told_with_its_place(text, said):
    with pytest.raises(GrammarError, match=r"a\.jsgf") as wrong:
        read_grammars({"a.jsgf": text})
    assert said in str(wrong.value)


def test_every_sampled_sentence_parses_back_to_what_it_was_sampled_from(shelf):
    draw = Random(3).random
    for file, rules in shelf.grammar.public.items():
        for rule in rules:
            for _ in range(60):
                node = shelf.grammar.sample(rule, draw)
                assert node in shelf.grammar.parse(rule, node.words), (file, rule, node.words)


def test_no_sentence_is_two_commands_or_a_command_and_a_reading(shelf):
    draw = Random(5).random
    rules = [*shelf.grammar.public["commands"], "reading"]
    for rule in rules:
        for _ in range(100):
            words = shelf.grammar.sample(rule, draw).words
            assert [r for r in rules if shelf.grammar.parse(r, words)] == [rule], words
