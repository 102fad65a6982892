"""From the words heard to their meaning at a question: a reading, a command, or why neither.

A number is never repaired: words outside the grammar are a refusal with a reason, or another text that the recognizer
found nearly as likely is asked. Only a command may be proposed for words that are spelled nearly like one.
"""

from __future__ import annotations

import re
from collections.abc import Collection, Iterable, Iterator
from dataclasses import dataclass, replace
from functools import cached_property
from typing import cast

from rapidfuzz import fuzz, process

from assistant.language.confused import CONFUSED
from assistant.language.considering import amount, considered, decide
from assistant.language.heard import NOT_WORDS, Alternative, Heard
from assistant.language.jsgf import Grammar, Node
from assistant.language.meaning import (
    Command,
    Confirm,
    Considered,
    Meaning,
    Named,
    Question,
    Reading,
    Readings,
    Unclear,
    Value,
    gives_value,
)
from assistant.trade.limits import EmergencyKind
from assistant.trade.quantities import Quantity


@dataclass(frozen=True)
class Double:
    """Two words that are heard for each other. alone: only where the word is the whole number."""

    word: str
    other: str
    why: str
    alone: bool = False


# A wrong hearing that is also a plausible value, where only words are known and no sound: common practice (rows 21-28,
# 61-64 of the trade's forms). What the bundled model confuses is measured (`CONFUSED`).
DOUBLES = tuple(
    Double(word, other, why, alone)
    for one, two, why, alone in (
        ("thirteen", "thirty", "one unstressed syllable", False),
        ("fourteen", "forty", "one unstressed syllable", False),
        ("fifteen", "fifty", "one unstressed syllable", False),
        ("sixteen", "sixty", "one unstressed syllable", False),
        ("seventeen", "seventy", "one unstressed syllable", False),
        ("eighteen", "eighty", "one unstressed syllable", False),
        ("nineteen", "ninety", "one unstressed syllable", False),
        ("five", "nine", "the same vowel, weak ends; hence fife and niner on the radio", True),
        ("seven", "eleven", "the first syllable is lost in noise", True),
    )
    for word, other in ((one, two), (two, one))
)

# A word that the recognizer is less sure of than this may be another word. Of 336 synthetic readings, clean
# and in blower noise at 10 and 5 dB, a third of the values heard wrongly held such a word, of the right ones 2 %.
FAINT = 0.7
# Another text is close when it fits this much less well, in the recognizer's log score. Of 664 readings by voices and
# people that docs/hearing.md does not measure with, in quiet and at 10 dB, 5 or 6 of the right ones had another amount
# this close, and 3 of the 5 wrong ones that nothing else asked; at 3.0 it is 10 and 4.
CLOSE = 2.2
# What has no meaning here makes a reading faint when it fits this much less well.
CLOSE_TO_NOTHING = 1.0
# Where a reading is asked, a command is not acted on while a number is this close: "nine" was heard as "no", "four" as
# "hold", "seven" as "slower", "two" as "stop". Of what is asked for words that make no answer three of four were right.
CLOSE_TO_A_READING = 3.0

# Forms that the bundled model has no words for (a typist gives them), and what the grammar
# has for the same: letters one by one, and words for a meter that is not steady.
SAME = {
    "p p m": "ppm",
    "p s i": "psi",
    "b t u": "btu",
    "ac": "a c",
    "wc": "w c",
    "ok": "okay",
    "ol": "o l",
    "em vee": "millivolts",
    "m v": "millivolts",
    "climbing": "rising",
    "dropping": "falling",
    "hovering between": "between",
    "bouncing between": "between",
    "scratch that": "strike that",
}

# Words that take everything after them as a recording.
NOTE_FIRST = (("note",), ("take", "a", "note"))

# The words after it say what was repaired.
REPAIR_FIRST = "repair"


# Words this like a command, in percent of their letters, are proposed as it ("did you mean ... ?"). Measured by
# tests/bench/proposals.py: of forms with one word lost, doubled or heard wrongly 57 % get the right proposal and
# 1.4 % another one; of other talk 1.1 % gets any. At 80 it is 35, 0.5 and 0.5 %; a proposal costs one "no".
NEAR = 75

MIN_NEAR_WORDS = 2

# What is never proposed: it must be said itself.
# Of the last three the moment counts.
NEVER_PROPOSED = ("yes", "no", "understood", "area-clear", "mark", "stopwatch", "timer")


def normalise(text: str) -> tuple[str, ...]:
    """Lower-case words without punctuation, in the forms that the grammar has."""
    plain = " ".join(re.sub(r"[^a-z\[\]' ]+", " ", text.lower().replace("-", " ").replace("\u2019", "'")).split())
    for form, same in SAME.items():
        plain = re.sub(rf"\b{form}\b", same, plain)
    return tuple(plain.split())


def _without_article(words: tuple[str, ...]) -> tuple[str, ...]:
    """The words without an article at their end, where nobody says one: "yes" and a breath were heard as "yes a"."""
    return words[:-1] if len(words) > 1 and words[-1] in ("a", "an", "the") else words


def _first_tag(node: Node) -> str:
    """The first tag of a derivation, outermost first; empty where it has none."""
    if node.tags:
        return node.tags[0]
    return next((tag for part in node.parts if isinstance(part, Node) and (tag := _first_tag(part))), "")


def _swapped(words: tuple[str, ...], pairs: Iterable[tuple[str, str]]) -> Iterator[str]:
    """The words with one of them as the other of its pair, in every way."""
    for word, other in pairs:
        for at, each in enumerate(words):
            if each == word:
                yield " ".join((*words[:at], other, *words[at + 1 :]))


@dataclass(frozen=True)
class Language:
    """The spoken language of the grammars: what words mean at a question.

    quantities: those that a reading may name.
    """

    grammar: Grammar
    quantities: dict[str, Quantity]

    def rules(self, question: Question) -> list[str]:
        """The rules that stand for a whole answer to this question."""
        named = ["named"] if question.quantity and question.names else []
        return [*(["reading"] if question.quantity else []), *named, *self.grammar.public["commands"]]

    def own_rules(self, question: Question) -> list[str]:
        """The rules of answers in the question's own words."""
        words = (rule for rule in question.words if rule in self.grammar.rules)
        return [*self.grammar.public.get(question.name, ()), *words]

    def understand(self, text: str, question: Question, refused: Collection[Value] = ()) -> Meaning:
        """The meaning of `text` at `question`; `refused` are values just answered with "no"."""
        words = normalise(text)
        if not words:
            return Unclear("silence")
        if kind := self.emergency(text):
            cry = Command("emergency", kind)
            # "No gas smell" answers a question, or somebody is startled: that is asked.
            denied = words[0] == "no" and " ".join(words[1:]) in self._cries
            return Unclear("not-understood", near=cry) if denied else cry
        plain = _without_article(words)
        if command := self._command(plain):
            return command
        for rule in self.own_rules(question):
            if tag := self._tag(rule, plain):
                return Named(rule, tag)
        readings, named = self.grammar.parse("reading", words), self.grammar.parse("named", words)
        if not (readings or named):
            if question.quantity and (some := self._one_by_one(words, question.quantity, refused)):
                return some
            return Unclear("not-understood", near=self._near(words))
        if question.quantity is None:
            return Unclear("not-asked", detail="no reading is asked here")
        if readings:
            return decide(considered(readings, question.quantity, refused), readings, question.quantity)
        return self._named(named, question.quantity, refused)

    def weighed(self, heard: Heard, question: Question, refused: Collection[Value] = ()) -> Heard:
        """What was heard, with the text first that is to be weighed.

        That is the first one; but where a reading is asked and it is a command, or holds numbers and is no answer
        ("four point go"), a reading that is close comes first, and is then asked (`rivals`). Stop and the emergency
        words are never put off.
        """
        first = self.understand(heard.text, question, refused)
        doubtful = isinstance(first, Command) or self._is_nearly_a_number(heard.text, first)
        if question.quantity is None or not doubtful or self.urgent(heard.text):
            return heard
        for other in heard.alternatives:
            meaning = self.understand(other.text, question, refused)
            if other.worse_by <= CLOSE_TO_A_READING and isinstance(meaning, Reading):
                rest = tuple(each for each in heard.alternatives if each is not other)
                return replace(heard, text=other.text, alternatives=(Alternative(heard.text, 0.0), *rest))
        return heard

    def _is_nearly_a_number(self, text: str, meaning: Meaning) -> bool:
        """Whether the words make no answer, but one of a number is among them, and no [unk]."""
        words = set(normalise(text))
        not_understood = isinstance(meaning, Unclear) and meaning.reason == "not-understood"
        return not_understood and NOT_WORDS not in words and bool(words & self._number_words)

    def meaning(self, heard: Heard, question: Question, refused: Collection[Value] = ()) -> Meaning:
        """The meaning of what was heard at `question`. Where its text has none, the first close alternative that is a
        command may be proposed."""
        first = self.understand(heard.text, question, refused)
        denied = isinstance(first, Unclear) and first.near is not None and first.near.name == "emergency"
        if isinstance(first, Unclear) and first.reason == "not-understood" and not denied:
            near = (self.understand(other.text, question) for other in heard.alternatives)
            commands = (m for m in near if isinstance(m, Command) and m.name not in NEVER_PROPOSED)
            return replace(first, near=next(commands, first.near))  # what sounds like it before what is spelled like it
        return first

    def _command(self, words: tuple[str, ...]) -> Command | None:
        """The command that the words are, with its argument."""
        marks = self._marks(words)
        if marks:
            return Command("mark", marks=marks)
        for rule in self.grammar.public["commands"]:
            for node in self.grammar.parse(rule, words):
                return Command(rule.replace("_", "-"), _first_tag(node))
        for first in NOTE_FIRST:
            if words[: len(first)] == first:
                return Command("note", " ".join(words[len(first) :]))
        repair = self._tag("repair", words[1:]) if words[0] == REPAIR_FIRST else ""
        return Command("repair-made", repair) if repair else None

    def urgent(self, text: str) -> str:
        """The command, if it is one that counts at any moment: "stop" or "emergency"; else nothing."""
        if self.emergency(text):
            return "emergency"
        return "stop" if self.grammar.parse("stop", _without_article(normalise(text))) else ""

    def emergency(self, text: str) -> EmergencyKind | None:
        """What the emergency is of that the words call out; None where they call out none.

        Some words do so wherever they are said in an utterance, some only alone. Where several do, the first in the
        grammar decides. A symptom that is told ("symptom, C O alarm") is none.
        """
        if "symptom" in self.grammar.rules and self.grammar.parse("symptom", normalise(text)):
            return None
        words = f" {' '.join(normalise(text))} "
        cried = (kind for cry, kind in self._cries.items() if f" {cry} " in words)
        # Said once or over and over.
        alone = (
            kind for cry, kind in self._lone_cries.items() if words.strip() and not words[1:].replace(f"{cry} ", "")
        )
        return next(cried, None) or next(alone, None)

    @property
    def tells_kinds(self) -> bool:
        """Whether the grammars tell what an emergency is of. Those of older records do not: all is taken for gas."""
        return "cry" in self.grammar.rules

    @cached_property
    def _cries(self) -> dict[str, EmergencyKind]:
        """What is an emergency wherever it is said -> of what."""
        return self._kinds(lone=False)

    @cached_property
    def _lone_cries(self) -> dict[str, EmergencyKind]:
        """What is an emergency where nothing else is said -> of what."""
        return self._kinds(lone=True)

    def _kinds(self, lone: bool) -> dict[str, EmergencyKind]:
        if self.tells_kinds:
            rule = "lone_cry" if lone else "cry"
            return {
                words: cast("EmergencyKind", self._tag(rule, tuple(words.split())))
                for words in self.grammar.sentences(rule)
            }
        said = self.grammar.sentences("emergency")
        return {words: "gas" for words in said if (words in ("odor", "odour", "fire")) is lone}

    def _named(self, derivations: list[Node], asked: Quantity, refused: Collection[Value]) -> Meaning:
        """Readings that name their quantities; one of the quantity asked is simply its reading."""
        entries = min((node.nodes("entry") for node in derivations), key=len)
        names = [entry.nodes("name")[0].tags[0] for entry in entries]
        same = [d.nodes("entry") for d in derivations]
        same = [e for e in same if [n.nodes("name")[0].tags[0] for n in e] == names]
        meanings: list[tuple[str, Reading | Unclear]] = []
        for at, name in enumerate(names):
            meanings.append((name, self._of(name, [e[at] for e in same], asked, refused)))
        if names == [asked.name]:
            return meanings[0][1]
        return Readings(tuple(meanings))

    def _of(self, name: str, nodes: list[Node], asked: Quantity, refused: Collection[Value]) -> Reading | Unclear:
        """What the derivations of a named reading give."""
        is_asked = name == asked.name
        quantity = asked if is_asked else self.quantities[name]
        return decide(considered(nodes, quantity, refused if is_asked else ()), nodes, quantity)

    def _one_by_one(self, words: tuple[str, ...], asked: Quantity, refused: Collection[Value]) -> Readings | None:
        """A list of readings of which some words were not understood: these lose the value that they stand in, alone.

        The words go from one name to the next. None where they are no such list: where words other than a lead-in come
        before the first name, or a name has none after it, the values may stand before their names.
        """
        if "lead" not in self.grammar.rules:  # an older record: such a list was not understood at all
            return None
        names = self._names_in(words)
        ends = [start for start, _, _ in names[1:]] + [len(words)]
        if len(names) < 2 or any(end == after for (_, after, _), end in zip(names, ends, strict=True)):
            return None
        before = words[: names[0][0]]
        if before and not self.grammar.parse("lead", before):
            return None
        meanings: list[tuple[str, Reading | Unclear]] = []
        for (start, _, name), end in zip(names, ends, strict=True):
            nodes = [n for n in self.grammar.parse("entry", words[start:end]) if n.nodes("name")[0].tags[0] == name]
            meanings.append((name, self._of(name, nodes, asked, refused) if nodes else Unclear("not-understood")))
        return Readings(tuple(meanings)) if any(isinstance(each, Reading) for _, each in meanings) else None

    def _names_in(self, words: tuple[str, ...]) -> list[tuple[int, int, str]]:
        """The names of quantities among words, the longest at each place: where each begins and ends, and whose."""
        found: list[tuple[int, int, str]] = []
        for at in range(len(words)):
            if found and at < found[-1][1]:
                continue
            longest = max((len(name) for name in self._names if words[at : at + len(name)] == name), default=0)
            if longest:
                found.append((at, at + longest, self._names[words[at : at + longest]]))
        return found

    @cached_property
    def units(self) -> dict[str, str]:
        """The units, as said -> the tag of each."""
        return {said: self._tag("unit", tuple(said.split())) for said in self.grammar.sentences("unit")}

    @cached_property
    def _names(self) -> dict[tuple[str, ...], str]:
        """The names of quantities, as said -> the quantity."""
        said = (tuple(name.split()) for name in self.grammar.sentences("name"))
        return {name: tag for name in said if (tag := self._tag("name", name)) in self.quantities}

    def why(self, text: str, question: Question, refused: Collection[Value] = ()) -> list[Considered]:
        """Every value that was considered for a reading, and why each stayed or went."""
        derivations = self.grammar.parse("reading", normalise(text))
        return considered(derivations, question.quantity, refused) if question.quantity else []

    def answers(self, reading: Node, quantity: Quantity) -> bool:
        """Whether a derivation of <reading> gives `quantity` a value, or several to choose from, or leads reversed."""
        meaning = decide(considered([reading], quantity, ()), [reading], quantity)
        return isinstance(meaning, Reading) or meaning.reason in ("ambiguous", "reversed")

    def goes_on(self, rule: str, text: str) -> bool:
        """Whether a sentence of a rule can begin with these words and go on."""
        return bool(self.grammar.expected(rule, normalise(text)))

    def _tag(self, rule: str, words: tuple[str, ...]) -> str:
        return next((_first_tag(node) for node in self.grammar.parse(rule, words)), "") if words else ""

    def _marks(self, words: tuple[str, ...]) -> tuple[str, ...]:
        """The events of marks in a row, each named or empty; nothing where the words are anything else too."""
        if words[0] != "mark":
            return ()
        named = [tuple(part.split()) for part in " ".join(words).split("mark")[1:]]
        events = tuple(self._tag("event", part) for part in named)
        return events if all(event or not part for event, part in zip(events, named, strict=True)) else ()

    @cached_property
    def _commands(self) -> list[str]:
        """Every form of every command that may be proposed."""
        rules = [rule for rule in self.grammar.public["commands"] if rule.replace("_", "-") not in NEVER_PROPOSED]
        said = (sentence for rule in rules for sentence in self.grammar.sentences(rule))
        return [sentence for sentence in said if sentence not in self._lone_cries]

    def _near(self, words: tuple[str, ...]) -> Command | None:
        """The command that the words nearly are, if any. Single words are too short to tell."""
        heard = " ".join(word for word in words if word != "[unk]")
        if len(heard.split()) < MIN_NEAR_WORDS:
            return None
        best = process.extractOne(heard, self._commands, scorer=fuzz.ratio, score_cutoff=NEAR)
        return self._command(tuple(best[0].split())) if best else None

    def confirm(self, heard: Heard, meaning: Meaning, question: Question) -> Confirm | None:
        """Whether a reading needs a spoken yes for what its words and its question are."""
        if not isinstance(meaning, Reading) or question.quantity is None:
            return None
        if question.quantity.confirm or not meaning.steady or meaning.mended:
            return "always"
        cut = self._may_be_cut(normalise(heard.text)) or self._may_be_open(heard.text, question)
        return "confusable" if cut or self._has_a_double(heard, question) else None

    def _may_be_cut(self, words: tuple[str, ...]) -> bool:
        """Whether a word may be lost before "hundred": how many they are. "Hundred and twenty" may be two hundred."""
        before = zip(("", *words), words, strict=False)
        return any(word == "hundred" and last not in self._number_words for last, word in before)

    def _may_be_open(self, text: str, question: Question) -> bool:
        """Whether nothing but "oh" was heard where "O L" may have been said: it was heard as "oh oh" and "oh ohm", and
        an open circuit is never taken for zero."""
        assert question.quantity is not None
        said = [word for word in normalise(text) if word not in self._unit_words]
        return question.quantity.overload == "open" and bool(said) and set(said) <= {"oh"}

    def _has_a_double(self, heard: Heard, question: Question) -> bool:
        """Whether one word heard wrongly would make another value that the meter could show: of sound by what is
        measured, and only where the recognizer has that value among its alternatives, however much worse."""
        if not heard.words:
            return any(gives_value(self.understand(text, question)) for text in self._misheard(heard.text))
        mine = self.understand(heard.text, question)
        sounds = [self.understand(other.text, question) for other in heard.alternatives]
        pairs = [pair for c in CONFUSED for pair in ((c.one, c.other), (c.other, c.one))]
        others = (self.understand(text, question) for text in _swapped(normalise(heard.text), pairs))
        return any(other in sounds and other != mine for other in others if isinstance(other, Reading))

    def _misheard(self, text: str) -> Iterator[str]:
        """The text with one word as it may have been misread, by common practice."""
        words = normalise(text)
        lone = sum(word in self._number_words for word in words) == 1
        return _swapped(words, [(d.word, d.other) for d in DOUBLES if lone or not d.alone])

    @cached_property
    def _number_words(self) -> frozenset[str]:
        return frozenset(self.grammar.words("number"))

    def rivals(
        self, heard: Heard, meaning: Meaning, question: Question, refused: Collection[Value] = ()
    ) -> list[Meaning]:
        """What else the sound may have been, when that is too close to call: it is asked, never chosen.

        Other readings and commands among the recognizer's close alternatives; and an unclear one with its reason where
        speech without a meaning is closer still (or, in older records, a word was faint), since then any number may
        have been said.
        """
        asked = question.quantity
        if not isinstance(meaning, Reading) or asked is None:
            return []
        found: list[Meaning] = []
        faint = any(word.confidence < FAINT for word in heard.words)
        for other in heard.alternatives:
            if other.worse_by > CLOSE:
                continue
            another = self.understand(other.text, question, refused)
            differs = isinstance(another, Reading) and amount(another, asked) != amount(meaning, asked)
            if differs or isinstance(another, Command):
                found.append(another)
            elif isinstance(another, Unclear) and other.worse_by <= CLOSE_TO_NOTHING:
                faint = True
        return [*found, *([Unclear("not-understood", detail="faint")] if faint else [])]

    def can_grow(self, text: str, question: Question) -> bool | None:
        """Whether a complete answer could still go on to another one: None when it is not complete yet.

        More words for the same command ("stop", "stop now") change nothing. After a unit only the rest of its
        name can follow, in the same breath.
        """
        words = normalise(text)
        meaning = self.understand(text, question)
        if isinstance(meaning, Unclear) and meaning.reason in ("silence", "not-understood"):
            return None
        if isinstance(meaning, Named):  # people may go on in words of their own
            return True
        if isinstance(meaning, Command) and meaning.name == "note":  # what follows belongs to it
            return None
        # "mark" and "mark, flame" are one command and two meanings.
        mine = meaning.name.replace("-", "_") if isinstance(meaning, Command) and meaning.name != "mark" else ""
        follows = {rule: self.grammar.expected(rule, words) for rule in self.rules(question) if rule != mine}
        if words[-1] in self._unit_words:
            follows["reading"] = follows.get("reading", frozenset()) - self._unit_words - {"over"}
        # Whoever corrects a value in the same breath does not stop before.
        return any(nexts - self._mending_words if rule == "reading" else nexts for rule, nexts in follows.items())

    @cached_property
    def _mending_words(self) -> frozenset[str]:
        if "mended" not in self.grammar.rules:
            return frozenset()
        return frozenset(self.grammar.words("mended")) - frozenset(self.grammar.words("amount"))

    @cached_property
    def _unit_words(self) -> frozenset[str]:
        return frozenset(self.grammar.words("unit"))
