"""Two engines on the same sound: the first is believed, the second can only cast doubt."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from assistant.language.heard import Heard
from assistant.language.phrases import Expected
from assistant.speech.recognizer import Hearing, Recognizer


class TwoRecognizers:
    """Hears by the first engine; where a reading is asked, the second hears the utterance too."""

    def __init__(self, first: Recognizer, second: Recognizer) -> None:
        if first.rate_hz != second.rate_hz:
            raise ValueError("the two engines take sound of different rates")
        self._first, self._second = first, second
        self.rate_hz = first.rate_hz
        self.name = f"{first.name}; second opinion: {second.name}"

    def missing(self, words: Iterable[str]) -> list[str]:
        """Those of `words` that the first engine can never hear."""
        return self._first.missing(words)

    def hearing(self, expected: Expected, alternatives: bool = True) -> Hearing:
        """Starts an utterance; without alternatives in the first engine alone."""
        first = self._first.hearing(expected, alternatives)
        both = alternatives and expected.question.quantity
        return TwoHearings(first, self._second.hearing(expected)) if both else first


class TwoHearings:
    """One utterance in both engines."""

    def __init__(self, first: Hearing, second: Hearing) -> None:
        self._first, self._second = first, second

    def accept(self, block: NDArray[np.int16]) -> None:
        """Takes the next samples."""
        self._first.accept(block)
        self._second.accept(block)

    def partial(self) -> str:
        """The first engine's words so far."""
        return self._first.partial()

    def finish(self) -> Heard:
        """What the first engine heard, with the second's text beside it."""
        return replace(self._first.finish(), second=self._second.finish().text)
