"""From the words heard to their meaning at a question: a reading, a command, or why neither.

A number is never repaired: words outside the grammar are a refusal with a reason. Only a command may be
proposed for words that nearly are one, and it is asked.
"""

from __future__ import annotations

import re
from collections.abc import Collection
from dataclasses import dataclass
from functools import cached_property
from typing import cast

from rapidfuzz import fuzz, process

from assistant.language.considering import considered, decide
from assistant.language.heard import Heard
from assistant.language.jsgf import Grammar, Node
from assistant.language.meaning import (
    Command,
    Confirm,
    Considered,
    Meaning,
    Question,
    Reading,
    Readings,
    Unclear,
    Value,
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


# A wrong hearing that is also a plausible value. Common practice (rows 21-28, 61-64 of the trade's forms); the
# teens and fifty/sixty were also measured with the bundled model on spoken readings.
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
# Another text is close when it fits this much less well, in the recognizer's log score. Of the same readings
# 2 % of the right ones had another value this close.
CLOSE = 3.0

# Forms that the bundled model has no words for (a typist gives them), and what the grammar
# has for the same: letters one by one, and words for a meter that is not steady.
SAME = {
    "p p m": "ppm",
    "p s i": "psi",
    "b t u": "btu",
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

NO_QUESTION = Question("")

# What is never proposed: it must be said itself.
# Of the last three the moment counts.
NEVER_PROPOSED = ("yes", "no", "understood", "area-clear", "mark", "stopwatch", "timer")


def normalise(text: str) -> tuple[str, ...]:
    """Lower-case words without punctuation, in the forms that the grammar has."""
    plain = " ".join(re.sub(r"[^a-z\[\]' ]+", " ", text.lower().replace("-", " ")).split())
    for form, same in SAME.items():
        plain = re.sub(rf"\b{form}\b", same, plain)
    return tuple(plain.split())


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

    def understand(self, text: str, question: Question, refused: Collection[Value] = ()) -> Meaning:
        """The meaning of `text` at `question`; `refused` are values just answered with "no"."""
        words = normalise(text)
        if not words:
            return Unclear("silence")
        if self.emergency(text):
            # "No gas smell" answers a question, or somebody is startled: that is asked.
            denied = words[0] == "no" and " ".join(words[1:]) in self._cries
            return Unclear("not-understood", near="emergency") if denied else Command("emergency")
        for rule in self.grammar.public["commands"]:
            if self.grammar.parse(rule, words):
                return Command(rule.replace("_", "-"))
        if any(words[: len(first)] == first for first in NOTE_FIRST):
            return Command("note")
        if words[0] == "mark" and self._are_marks(words):
            return Command("mark")
        if words[0] == REPAIR_FIRST and self.repair(text):
            return Command("repair-made")
        readings, named = self.grammar.parse("reading", words), self.grammar.parse("named", words)
        if not (readings or named):
            return Unclear("not-understood", near=self._near(words))
        if question.quantity is None:
            return Unclear("not-asked", detail="no reading is asked here")
        if readings:
            return decide(considered(readings, question.quantity, refused), readings, question.quantity)
        return self._named(named, question.quantity, refused)

    def urgent(self, text: str) -> str:
        """The command, if it is one that counts at any moment: "stop" or "emergency"; else nothing."""
        if self.emergency(text):
            return "emergency"
        return "stop" if self.grammar.parse("stop", normalise(text)) else ""

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
            return {words: cast("EmergencyKind", self.tag(rule, words)) for words in self.grammar.sentences(rule)}
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
            quantity = asked if name == asked.name else self.quantities[name]
            nodes = [e[at] for e in same]
            found = considered(nodes, quantity, refused if name == asked.name else ())
            meanings.append((name, decide(found, nodes, quantity)))
        if names == [asked.name]:
            return meanings[0][1]
        return Readings(tuple(meanings))

    def why(self, text: str, question: Question, refused: Collection[Value] = ()) -> list[Considered]:
        """Every value that was considered for a reading, and why each stayed or went."""
        derivations = self.grammar.parse("reading", normalise(text))
        return considered(derivations, question.quantity, refused) if question.quantity else []

    def answers(self, reading: Node, quantity: Quantity) -> bool:
        """Whether a derivation of <reading> gives `quantity` a value, or several to choose from."""
        meaning = decide(considered([reading], quantity, ()), [reading], quantity)
        return isinstance(meaning, Reading) or meaning.reason == "ambiguous"

    def timer(self, text: str) -> int:
        """The seconds of a timer that the words ask for. Raises ValueError when they ask for none."""
        for node in self.grammar.parse("timer", normalise(text)):
            return int(node.nodes("timer_time")[0].tags[0])
        raise ValueError(f"{text!r} asks for no timer")

    def reason(self, text: str) -> str | None:
        """The reason for a skip, if the words give one of those known."""
        for node in self.grammar.parse("reason", normalise(text)):
            return node.tags[0]
        return None

    def event(self, text: str) -> str:
        """The event of a timed step that the words name; empty when they name none."""
        return self.tag("event", text)

    def repair(self, text: str) -> str:
        """The repair that the words name, with "repair" before them or not; empty when they name none."""
        words = normalise(text)
        return self._tag("repair", words[1:] if words[:1] == (REPAIR_FIRST,) else words)

    def working(self, text: str) -> str:
        """What is to be worked out, of "work out the rise"; empty when the words are no such command."""
        return self._inner("work_out", "working", text)

    def symptom(self, text: str) -> str:
        """The symptom that is told, of "symptom no glow"; empty when the words are no such command."""
        return self._inner("symptom", "symptom_said", text)

    def _inner(self, command: str, rule: str, text: str) -> str:
        for node in self.grammar.parse(command, normalise(text)):
            return node.nodes(rule)[0].tags[0]
        return ""

    def tag(self, rule: str, text: str) -> str:
        """What the words are by a rule whose sentences have a tag each; empty when they are none of them."""
        return self._tag(rule, normalise(text))

    def goes_on(self, rule: str, text: str) -> bool:
        """Whether a sentence of a rule can begin with these words and go on."""
        return bool(self.grammar.expected(rule, normalise(text)))

    def _tag(self, rule: str, words: tuple[str, ...]) -> str:
        return next((node.tags[0] for node in self.grammar.parse(rule, words)), "") if words else ""

    def _are_marks(self, words: tuple[str, ...]) -> bool:
        """Whether the words are marks in a row, each with an event or without."""
        parts = " ".join(words).split("mark")
        return all(not part.strip() or self.event(part) for part in parts)

    @cached_property
    def _commands(self) -> dict[str, str]:
        """Every form of every command that may be proposed."""
        commands = self.grammar.public["commands"]
        return {
            sentence: rule.replace("_", "-")
            for rule in commands
            if rule.replace("_", "-") not in NEVER_PROPOSED
            for sentence in self.grammar.sentences(rule)
            if sentence not in self._lone_cries
        }

    def _near(self, words: tuple[str, ...]) -> str:
        """The command that the words nearly are, or nothing. Single words are too short to tell."""
        heard = " ".join(word for word in words if word != "[unk]")
        if len(heard.split()) < MIN_NEAR_WORDS:
            return ""
        best = process.extractOne(heard, self._commands.keys(), scorer=fuzz.ratio, score_cutoff=NEAR)
        return self._commands[best[0]] if best else ""

    def confirm(self, text: str, meaning: Meaning, question: Question) -> Confirm | None:
        """Whether a reading needs a spoken yes for what its words and its question are."""
        if not isinstance(meaning, Reading) or question.quantity is None:
            return None
        if question.quantity.confirm or meaning.upper is not None:
            return "always"
        return "confusable" if self._has_a_double(text, question) else None

    def _has_a_double(self, text: str, question: Question) -> bool:
        """Whether one word heard wrongly would make another value that the meter could show."""
        words = normalise(text)
        numbers = [word for word in words if word in self._number_words]
        for double in DOUBLES:
            for at, word in enumerate(words):
                if word == double.word and (not double.alone or len(numbers) == 1):
                    swapped = " ".join((*words[:at], double.other, *words[at + 1 :]))
                    other = self.understand(swapped, question)
                    if isinstance(other, Reading) or (isinstance(other, Unclear) and other.choices):
                        return True
        return False

    @cached_property
    def _number_words(self) -> frozenset[str]:
        return frozenset(self.grammar.words("number"))

    def rivals(
        self, heard: Heard, meaning: Meaning, question: Question, refused: Collection[Value] = ()
    ) -> list[Meaning]:
        """What else the sound may have been, when that is too close to call: it is asked, never chosen.

        Other readings among the recognizer's close alternatives; and an unclear one with its reason when a word
        was faint, since then any number may have been said.
        """
        if not isinstance(meaning, Reading):
            return []
        close = (
            self.understand(other.text, question, refused) for other in heard.alternatives if other.worse_by <= CLOSE
        )
        found: list[Meaning] = [m for m in close if isinstance(m, Reading) and m.values != meaning.values]
        if any(word.confidence < FAINT for word in heard.words):
            found.append(Unclear("not-understood", detail="faint"))
        return found

    def can_grow(self, text: str, question: Question) -> bool | None:
        """Whether a complete answer could still go on to another one: None when it is not complete yet.

        More words for the same command ("stop", "stop now") change nothing. After a unit only the rest of its
        name can follow, in the same breath.
        """
        words = normalise(text)
        meaning = self.understand(text, question)
        if isinstance(meaning, Unclear) and meaning.reason in ("silence", "not-understood"):
            # A reason, a repair, an event: known as a whole, and people may go on in words of their own.
            known = any(self.grammar.parse(rule, words) for rule in self.grammar.public.get(question.name, ()))
            return True if known and words else None
        if meaning == Command("note"):  # what follows belongs to it
            return None
        # "mark" and "mark, flame" are one command and two meanings.
        mine = meaning.name.replace("-", "_") if isinstance(meaning, Command) and meaning.name != "mark" else ""
        follows = {rule: self.grammar.expected(rule, words) for rule in self.rules(question) if rule != mine}
        if words[-1] in self._unit_words:
            follows["reading"] = follows.get("reading", frozenset()) - self._unit_words - {"over"}
        return any(follows.values())

    @cached_property
    def _unit_words(self) -> frozenset[str]:
        return frozenset(self.grammar.words("unit"))
