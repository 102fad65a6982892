"""Ears: from sound to words, only those that a question allows.

`Recognizer` is the protocol that the visit knows; Vosk stands behind it here. Vosk is made safe by what this
module never does: it never changes the grammar of a recognizer that lives (that kills the process while an
utterance runs, SPEECH V4), and never passes a grammar string that is not a non-empty list of known words made
by json.dumps (any other crashes, V5). A new Vosk recognizer for every utterance costs 0.2 ms, keeps word times
relative to the utterance (V13) and lets no cache grow over a shift (V12).
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import Any, Protocol

import numpy as np
from numpy.typing import NDArray

from assistant.errors import Problem
from assistant.language.heard import NOT_WORDS, Alternative, Heard, HeardWord
from assistant.language.jsgf import Grammar
from assistant.language.phrases import Expected
from assistant.speech.model_folder import RATE_HZ, check_model
from assistant.speech.models import user_store

ALTERNATIVES = 10  # how many texts to compare: five were often one value with other units

# Vosk learns pairs of words from the list of phrases, and leaves half of what may follow a word to any word at all, by
# how often that stands in the list: "nine point four" was heard as "flow point five". A long line of a word that nobody
# says takes most of that half for itself. What fits no phrase would then be put into words of the list all the more;
# a pair of NOT_WORDS takes it.
# Chosen on voices and a reader that docs/hearing.md does not measure with: of 504 readings in noise 466 were right
# instead of 456, and wrong 23 instead of 25; in 8 minutes that hold no reading 62 words were heard instead of 226.
# 200,000 words did no more. Three pairs make it 38 words, but lose digits of numbers said digit by digit: that alone
# was seen on a set that docs/hearing.md measures with.
FILLER = "international"
FILLERS = 80_000  # more than ten times the words of a list; 20 ms a hearing, at its beginning


class Hearing(Protocol):
    """One utterance being heard."""

    def accept(self, block: NDArray[np.int16]) -> None:
        """Takes the next samples: int16 mono at the recognizer's rate."""

    def finish(self) -> Heard:
        """The words of the whole utterance; call once."""


class Recognizer(Protocol):
    """Something that hears words. One owner, one thread."""

    name: str  # engine, version and model, for the record
    rate_hz: int  # of the samples it takes; sound at any other rate would be misheard without a word (V14)

    def hearing(self, expected: Expected) -> Hearing:
        """Starts an utterance in which an answer to a question is expected."""

    def missing(self, words: Iterable[str]) -> list[str]:
        """Those of `words` that it can never hear."""


class VoskRecognizer:
    """Vosk with a model folder that can take phrase lists at run time.

    Raises Problem when Vosk is not installed, or the folder is not such a model.
    """

    rate_hz = RATE_HZ

    def __init__(self, model_folder: Path) -> None:
        check_model(model_folder.name, model_folder)
        try:
            import vosk  # noqa: PLC0415 - the core and its tests run without it
        except ImportError as wrong:
            raise Problem("The speech recognizer is missing; run: pip install vosk") from wrong
        vosk.SetLogLevel(-1)
        self._vosk: Any = vosk
        self._model: Any = vosk.Model(model_path=str(model_folder))
        self.name = f"vosk 0.3.45, model {model_folder.name}"
        filler = [] if self.missing([FILLER]) else [" ".join([FILLER] * FILLERS)]
        self._besides = [NOT_WORDS, f"{NOT_WORDS} {NOT_WORDS}", *filler]

    def missing(self, words: Iterable[str]) -> list[str]:
        """Those of `words` that are not in the model (SPEECH V2: Vosk would only drop them)."""
        return [word for word in words if self._model.vosk_model_find_word(word) < 0]

    def hearing(self, expected: Expected) -> VoskHearing:
        """Starts an utterance; see `hearing_of`."""
        return self.hearing_of(expected.phrases)

    def hearing_of(self, phrases: Sequence[str]) -> VoskHearing:
        """Starts an utterance; ValueError when `phrases` is empty or holds a word that is not in the model."""
        lost = self.missing({word for phrase in phrases for word in phrase.split()})
        if lost or not all(phrase.split() for phrase in phrases) or not phrases:
            raise ValueError(f"phrases that the model cannot hear: {', '.join(sorted(lost)) or 'empty ones'}")
        return VoskHearing(self._vosk, self._model, self.rate_hz, json.dumps([*phrases, *self._besides]))


def recognizer_in_use(grammar: Grammar) -> VoskRecognizer:
    """Hears with the model in use, in which every word of the grammar was found (SPEECH V2). Raises Problem."""
    recognizer = VoskRecognizer(user_store().model_in_use())
    words = grammar.vocabulary
    for missing in recognizer.missing(words):
        place = words[missing]
        raise Problem(
            f"grammars/{place.file}, line {place.line}: {missing!r} is not in the speech model of "
            f"{recognizer.name}; use another word there, or another model."
        )
    return recognizer


class VoskHearing:
    """One utterance in Vosk: words with their times, and the close alternatives (V6), from one pass.

    With alternatives on, Vosk 0.3.45 tells no word's confidence; how close the alternatives are tells as much.
    """

    def __init__(self, vosk: Any, model: Any, rate_hz: int, grammar: str) -> None:
        self._recognizer = vosk.KaldiRecognizer(model, rate_hz, grammar)
        self._recognizer.SetWords(True)
        self._recognizer.SetMaxAlternatives(ALTERNATIVES)
        self._parts: list[list[dict[str, Any]]] = []  # the alternatives of each, best first

    def accept(self, block: NDArray[np.int16]) -> None:
        """Takes the next samples. Vosk may end a part of the utterance by itself; the parts are joined."""
        if self._recognizer.AcceptWaveform(block.tobytes()):
            self._parts.append(json.loads(self._recognizer.Result())["alternatives"])

    def finish(self) -> Heard:
        """The words of the whole utterance, and the close alternatives."""
        self._parts.append(json.loads(self._recognizer.FinalResult())["alternatives"])
        best = [part[0] for part in self._parts]
        words = tuple(HeardWord(w["word"], w["start"], w["end"]) for part in best for w in part.get("result", ()))
        text = " ".join(word.text for word in words)
        return Heard(text, words, self._alternatives([part["text"] for part in best]) if words else ())

    def _alternatives(self, best: list[str]) -> tuple[Alternative, ...]:
        """Other texts of the whole: in each one part is another than the best."""
        found = [
            Alternative(
                " ".join(" ".join([*best[:at], other["text"], *best[at + 1 :]]).split()),
                round(part[0]["confidence"] - other["confidence"], 2),
            )
            for at, part in enumerate(self._parts)
            for other in part[1:]
            if other["text"] != best[at]
        ]
        return tuple(sorted(found, key=lambda other: other.worse_by))
