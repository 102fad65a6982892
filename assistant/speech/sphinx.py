"""The second engine: pocketsphinx with a strict automaton of words, from the English model in its wheel.

It makes other mistakes than Vosk: the order of words is kept, but whatever is said is forced onto some sentence.
So it may stand in for Vosk, or disagree with it; what it says is never taken without the strict parse either.
"""

from __future__ import annotations

import re
import weakref
from collections import Counter
from collections.abc import Callable, Iterable, Mapping
from contextlib import suppress
from functools import partial
from importlib.metadata import version
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from assistant.errors import Problem
from assistant.language.automaton import Automaton
from assistant.language.heard import Heard, HeardWord
from assistant.language.phrases import Expected

FRAME_S = 0.01  # the engine's step in time


def read_pronunciations(path: Path) -> dict[str, str]:
    """A file of words and their phones, a word a line."""
    lines = path.read_text(encoding="utf-8").splitlines()
    return {word: phones for word, _, phones in (line.partition(" ") for line in lines) if word}


class SphinxRecognizer:
    """pocketsphinx behind the `Recognizer` protocol. Raises Problem when it is not installed.

    pronunciations: phones of words that its dictionary lacks.
    """

    rate_hz = 16000

    def __init__(self, pronunciations: Mapping[str, str]) -> None:
        try:
            import pocketsphinx  # noqa: PLC0415 - Vosk alone works without it
        except ImportError as wrong:
            raise Problem("The second recognizer is missing; run: pip install pocketsphinx") from wrong
        self._new = partial(_Decoder, pocketsphinx, pronunciations)
        self._decoders = [self._new()]
        self.name = f"pocketsphinx {version('pocketsphinx')}, its own English model"

    def missing(self, words: Iterable[str]) -> list[str]:
        """Those of `words` that are in no dictionary."""
        return [word for word in words if self._decoders[0].engine.lookup_word(word) is None]

    def hearing(self, expected: Expected, alternatives: bool = True) -> SphinxHearing:
        """Starts an utterance."""
        free = next((decoder for decoder in self._decoders if not decoder.busy), None)
        if free is None:
            free = self._new()
            self._decoders.append(free)
        return free.hearing(expected.automaton)


class _Decoder:
    """One decoder, which hears one utterance at a time: where two people speak, or the last words are heard while
    they go on, each utterance has its own."""

    def __init__(self, library: Any, pronunciations: Mapping[str, str]) -> None:
        self.engine: Any = library.Decoder(lm=None, loglevel="FATAL")
        for word, phones in pronunciations.items():
            self.engine.add_word(word, phones, False)
        self._ready: set[Automaton] = set()
        self._hearing: Callable[[], SphinxHearing | None] = lambda: None

    @property
    def busy(self) -> bool:
        """Whether its utterance goes on: it is not heard to its end, and somebody still wants it."""
        hearing = self._hearing()
        return hearing is not None and not hearing.over

    def hearing(self, automaton: Automaton) -> SphinxHearing:
        """Starts an utterance."""
        with suppress(RuntimeError):  # one that was let go is over
            self.engine.end_utt()
        name = str(hash(automaton))
        if automaton not in self._ready:
            self.engine.add_fsg(name, self.engine.create_fsg(name, *_network(automaton)))
            self._ready.add(automaton)
        self.engine.activate_search(name)
        hearing = SphinxHearing(self.engine)
        self._hearing = weakref.ref(hearing)
        return hearing


def _network(a: Automaton) -> tuple[int, int, list[tuple[int, int, float, str]]]:
    """States and arcs as the engine takes them: one state to end in, and every way on as likely as the others."""
    ways = Counter(source for source, _, _ in a.arcs)
    arcs = [(source, to, 1.0 / ways[source], word) for source, word, to in a.arcs]
    arcs += [(source, a.states, 1.0 / ways[source], word) for source, word, to in a.arcs if to in a.ends]
    return a.start, a.states, arcs


class SphinxHearing:
    """One utterance in pocketsphinx."""

    def __init__(self, decoder: Any) -> None:
        self._decoder = decoder
        self.over = False
        decoder.start_utt()

    def accept(self, block: NDArray[np.int16]) -> None:
        """Takes the next samples."""
        self._decoder.process_raw(block.tobytes())

    def partial(self) -> str:
        """The words so far."""
        found = self._decoder.hyp()
        return found.hypstr if found else ""

    def finish(self) -> Heard:
        """The words of the whole utterance; its confidence says nothing here, so all are as sure."""
        self._decoder.end_utt()
        self.over = True
        if self._decoder.hyp() is None:
            return Heard("")
        words = tuple(
            HeardWord(re.sub(r"\(\d+\)", "", s.word), s.start_frame * FRAME_S, (s.end_frame + 1) * FRAME_S, 1.0)
            for s in self._decoder.seg()
            if not s.word.startswith(("<", "("))
        )
        return Heard(" ".join(word.text for word in words), words)
