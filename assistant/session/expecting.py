"""What may be said at a question, made ready while the assistant speaks.

The phrases of a reading take half a second to draw, which would otherwise come between the technician's words and
the answer to them.
"""

from __future__ import annotations

from concurrent.futures import Future, ThreadPoolExecutor

from assistant.files import expected
from assistant.language.meaning import Question
from assistant.language.phrases import Expected
from assistant.language.utterance import Language


class Expecting:
    """Each question's `Expected`, once. Asked by one thread; the phrases are drawn by another."""

    def __init__(self, language: Language) -> None:
        self.language = language
        self._beside = ThreadPoolExecutor(1, "phrases")
        self._made: dict[Question, Future[Expected]] = {}

    def prepare(self, question: Question) -> None:
        """Begins to draw its phrases, if nobody has; returns at once."""
        if question not in self._made:
            self._made[question] = self._beside.submit(self._draw, question)

    def __getitem__(self, question: Question) -> Expected:
        """Waits for its phrases, if need be."""
        self.prepare(question)
        return self._made[question].result()

    def _draw(self, question: Question) -> Expected:
        made = expected(self.language, question)
        _ = made.phrases
        return made
