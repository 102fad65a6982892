"""A visit moment by moment, from its entries alone: what was heard, what was taken, what was put right."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from typing import Literal

from assistant.record import entries as e
from assistant.record.chain import Entry
from assistant.record.fold import recorded
from assistant.review.replay import decided, how_it_came

Kind = Literal["readings", "refusals", "corrections", "hazards"]

KINDS: dict[Kind, tuple[type[e.Body], ...]] = {
    "readings": (e.Reading,),
    "refusals": (e.Refused, e.Unclear, e.NotVoiced, e.NotOpened),
    "corrections": (e.Correction,),
    "hazards": (e.HazardsVoiced, e.Emergency, e.Barred),
}
"""By what a time line can be filtered: the entries of each."""

PUT_RIGHT = (*KINDS["refusals"], *KINDS["corrections"])
"""Decisions that say that something was not taken as it was heard."""


@dataclass
class Moment:
    """One thing that happened, and what followed until the next."""

    seq: int
    utc: str
    step: str  # of its first decision; before there is one, the step that the visit was at
    heard: str = ""  # the words; empty where nobody spoke
    others: tuple[str, ...] = ()  # what else the sound fits, best first
    recording: str = ""  # the name of its file
    taken: list[str] = field(default_factory=list)  # decisions, in words
    put_right: list[str] = field(default_factory=list)
    answered: str = ""  # what the assistant said then
    kinds: set[Kind] = field(default_factory=set)


def moments(entries: Iterable[Entry]) -> Iterator[Moment]:
    """Each utterance, silence and beginning, with what was decided and said until the next."""
    now: Moment | None = None
    step, undecided = "", True
    for turn in recorded(entries):
        if now is None or not isinstance(turn.body, e.Voiced):
            if now:
                yield now
            now, undecided = _begun(turn.body, step), True
        for body in map(e.read, turn.notes):
            if not isinstance(turn.body, e.SetUp):  # which is before any step
                step = getattr(body, "step", "") or step
                now.step, undecided = step if undecided else now.step, False
            now.kinds |= {kind for kind, of in KINDS.items() if isinstance(body, of)}
            if said := decided(body):
                (now.put_right if isinstance(body, PUT_RIGHT) else now.taken).append(said)
        now.answered = " ".join((now.answered, *turn.said)).strip()
    if now:
        yield now


def _begun(body: e.Event, step: str) -> Moment:
    moment = Moment(body.seq, body.utc, step, taken=how_it_came(body))
    if isinstance(body, e.Utterance):
        text = body.heard.text
        moment.heard = text or ("(no words)" if isinstance(body, e.Said) else "")
        moment.others = tuple(other.text for other in body.heard.alternatives if other.text != text)
        moment.recording = body.audio
    if isinstance(body, e.SetUp):
        moment.step = "set up"
        refused = body.decided.startswith(("refused", "unclear"))
        (moment.put_right if refused else moment.taken).append(decided(body))
    return moment
