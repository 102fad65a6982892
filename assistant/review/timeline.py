"""A visit moment by moment, from its entries alone: what was heard, what was taken, what was put right."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field

from assistant.dialogue.effects import Note
from assistant.record.chain import Entry
from assistant.review.replay import decided, how_it_came

PUT_RIGHT = ("correction", "refused", "unclear", "not-voiced", "not-opened")
"""Decisions that say that something was not taken as it was heard."""


@dataclass(frozen=True)
class Moment:
    """One thing that happened, and what followed.

    heard: the words; empty where nobody spoke. others: what else the sound fits, best first. recording: name of
    its file. taken, put_right: decisions in words. answered: what the assistant said then.
    """

    seq: int
    utc: str
    step: str
    heard: str
    others: tuple[str, ...]
    recording: str
    taken: tuple[str, ...]
    put_right: tuple[str, ...]
    answered: str


@dataclass
class _Open:
    """A moment that is not over yet."""

    entry: Entry
    step: str  # of its first decision; before there is one, the step that the visit was at
    decided: bool = False
    taken: list[str] = field(default_factory=list)
    put_right: list[str] = field(default_factory=list)
    answered: list[str] = field(default_factory=list)

    def closed(self) -> Moment:
        """The moment, as far as it went."""
        body = self.entry.body
        heard = body.get("heard", {})
        return Moment(
            self.entry.seq,
            self.entry.utc,
            self.step,
            heard.get("text", "") or ("(no words)" if self.entry.kind == "said" else ""),
            tuple(other["text"] for other in heard.get("alternatives", ()) if other["text"] != heard.get("text")),
            body.get("audio", ""),
            tuple(self.taken),
            tuple(self.put_right),
            " ".join(self.answered),
        )


def moments(entries: Iterable[Entry]) -> Iterator[Moment]:
    """Each utterance, silence and beginning, with what was decided and said until the next."""
    now: _Open | None = None
    step = ""
    for entry in entries:
        if entry.kind in ("opened", "said", "quiet", "clock"):
            if now:
                now.answered += _played(entry)  # where it was interrupted
                yield now.closed()
            now = _Open(entry, step)
            now.taken += how_it_came(entry.body)
            continue
        if entry.kind == "set-up":
            if now:
                yield now.closed()
            now = _Open(entry, "set up")
            said = decided(Note(entry.kind, entry.body))
            refused = str(entry.body["decided"]).startswith(("refused", "unclear"))
            (now.put_right if refused else now.taken).append(said)
            continue
        if now is None:
            continue
        if entry.kind == "voiced":
            now.answered += _played(entry)
            continue
        if now.entry.kind != "set-up":  # which is before any step
            step = str(entry.body.get("step") or step)
            if not now.decided:
                now.step, now.decided = step, True
        said = decided(Note(entry.kind, entry.body))
        if said:
            (now.put_right if entry.kind in PUT_RIGHT else now.taken).append(said)
    if now:
        yield now.closed()


def _played(entry: Entry) -> list[str]:
    return [played["text"] for played in entry.body.get("played", ())]
