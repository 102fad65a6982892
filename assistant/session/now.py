"""What a visit does at this moment, for a screen beside it: one small file that is replaced, and no part of the record.

It is written by what really happens: a sentence that begins to be played, and sound that is taken to be heard. Nothing
else keeps it fresh, so whoever reads it sees by its age that nobody listens any more. A file that cannot be written
never disturbs the visit.
"""

from __future__ import annotations

import json
import time
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

NAME = "now.json"
FRESH_S = 1.0  # how often at most the file is replaced while one and the same goes on
STALE_S = 7.0  # older than this nothing goes on: no stretch of speech is over five seconds

Doing = Literal["listening", "speaking", "over"]


@dataclass(frozen=True)
class Moment:
    """What goes on."""

    doing: Doing
    says: str  # the assistant's last words
    record: str  # path of the visit's record; empty before there is one
    age_s: float  # since the last sign of life

    @property
    def fresh(self) -> bool:
        """Whether it still goes on."""
        return self.age_s <= STALE_S


class Now:
    """Writes the file in `folder`, where the visits lie."""

    def __init__(self, folder: Path, clock: Callable[[], float] = time.monotonic) -> None:
        self.record = ""
        self._path, self._clock = folder / NAME, clock
        self._doing: Doing | None = None
        self._texts: list[str] = []
        self._at_s = 0.0

    def listening(self) -> None:
        """Sound was taken to be heard."""
        if self._doing != "listening" or self._clock() - self._at_s >= FRESH_S:
            self._write("listening")

    def over(self) -> None:
        """The run has come to its end: the record may be sealed now."""
        self._write("over")

    def speaking(self, text: str) -> None:
        """A text begins to be played; those since it last listened are shown together."""
        if self._doing != "speaking":
            self._texts.clear()
        if self._texts[-1:] != [text]:
            self._texts.append(text)
        self._write("speaking")

    def _write(self, doing: Doing) -> None:
        self._doing, self._at_s = doing, self._clock()
        text = json.dumps({"doing": doing, "says": " ".join(self._texts), "record": self.record})
        with suppress(OSError):
            self._path.parent.mkdir(parents=True, exist_ok=True)
            new = self._path.with_suffix(".new")
            new.write_text(text, encoding="utf-8")
            new.replace(self._path)


def read(folder: Path) -> Moment | None:
    """What the last visit of a folder does, or did last; None where there was none, or the file is no such file."""
    path = folder / NAME
    try:
        age_s = max(0.0, time.time() - path.stat().st_mtime)
        body = json.loads(path.read_text(encoding="utf-8"))
        return Moment(body["doing"], str(body["says"]), str(body["record"]), age_s)
    except (OSError, ValueError, KeyError, TypeError):
        return None
