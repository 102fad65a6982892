"""A visit turn by turn, from its record alone: what was heard, decided and said then, not what would be today."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from decimal import Decimal
from typing import Any

from msgspec import structs

from assistant.dialogue.effects import Effect, Note, Say, notes_of, says_of
from assistant.dialogue.events import Clock, Event, Opened, Quiet, Said, Voiced
from assistant.errors import Problem
from assistant.record import entries as e
from assistant.record.fold import Recorded, recorded, same_now
from assistant.record.record import Record
from assistant.trade.units import round_significant
from assistant.wording.english import A_NAME

# What is shown of the decisions: the others are plain from what is said.
_SHOWN = {
    "set-up": "{asked}: {decided}",
    "reading": "{quantity} {value} {unit}: {verdict}",
    "heard-reading": "asked: {value} {unit} ({asked_because})",
    "heard-list": "asked: a list of readings",
    "talk-set": "talk: {pace}",
    "refused": "refused: {value}",
    "kept": "kept: {quantity} {value} {unit}",
    "unclear": "unclear: {reason}",
    "skipped": "skipped {step}: {reason}",
    "left-out": "left out {step}: {reason}",
    "answer": "{step}: {answer}",
    "done": "{step}: done",
    "site": "power {power}, gas {gas}",
    "remark": "finding: {text}",
    "understood": "understood: {step}",
    "emergency": "EMERGENCY: {why}",
    "cleared-by": "name in {audio}",
    "area-clear": "area clear, name in {audio}",
    "not-voiced": "NOT VOICED: {problem}",
    "not-opened": "not opened: {reason}",
    "note": "note in {audio}",
    "mark": "mark at {at_s} s",
    "speaker": "speaker: {speaker}",
    "worked-out": "worked out: {working} {value} {unit}",
    "working-input": "for {working}: {quantity} {value} {unit}",
    "working-correction": "taken back: {quantity} {withdrawn}",
    "not-worked-out": "not worked out: {working}, {reason}",
    "other-gas-off": "all other gas off: {answer}",
    "symptom": "symptom: {symptom}",
    "probable-cause": "probable causes asked",
    "next-best": "next: {step}, it tells {bits} bits",
    "next-measurement": "next measurement asked: {observation}",
    "compared": "compared: {quantity}",
    "hold": "on hold",
    "stop": "stopped",
    "go-on": "goes on",
    "times": "times worked out of the marks",
    "marks-dropped": "marks dropped: {reason}",
    "repair": "repair: {say}",
    "barred": "BARRED: no {forbids}, because of {because}",
    "put-off": "put off: {step}, for {first}",
    "shut-down": "shut down",
    "stands": "still stands: {step}",
    "follow-up": "follow up: {words}",
    "timer": "timer of {seconds} s",
    "timer-over": "timer of {seconds} s over",
    "timer-off": "timers off",
    "wait-over": "waited {seconds} s: {step}",
    "not-waited": "NOT WAITED: {step}, {left_s} of {seconds} s were left",
    "stopwatch": "stopwatch {number} started",
    "stopwatch-read": "stopwatch {number}: {seconds} s",
    "stopwatch-refused": "stopwatch {number} refused: a mark of the step is awaited",
    "stopwatch-lost": "stopwatches lost",
    "closed": "closed",
}


@dataclass(frozen=True)
class Row:
    """One turn for people to read; empty where there is nothing."""

    utc: str
    heard: str
    decided: str
    answer: str
    same: bool | None = True  # whether it would be decided the same now; None where that cannot be known


def row(event: Event, effects: Sequence[Effect], utc: str = "", same: bool | None = True) -> Row | None:
    """One turn as a row; None when there is nothing to see in it."""
    match event:
        case Said():
            heard = event.heard.text or "(no words)"
        case Quiet():
            heard = f"(quiet for {event.seconds:.0f} s)"
        case Clock():
            heard = "(a timer)" if effects else ""
        case Opened():
            heard = "(goes on)" if event.resumed else "(begins)"
        case Voiced():
            heard = "" if event.complete else f"(not voiced: {event.problem})"
    what = all_decided(notes_of(effects))
    answer = " ".join(say.text for say in says_of(effects))
    return Row(utc, heard, what, answer, same) if heard or what or answer else None


def all_decided(notes: Iterable[tuple[str, dict[str, Any]]]) -> str:
    """Decisions, pairs (kind, body), in a few words."""
    return "; ".join(filter(None, (decided(e.of(kind, body)) for kind, body in notes)))


def decided(body: e.Body) -> str:
    """A decision in a few words; nothing for those that are plain from what is said."""
    match body:
        case e.Unknown():
            return f"({body.kind}: not known here)"
        case e.Finding(value=""):
            return f"{body.name} not worked out"
        case e.Finding():
            return f"{body.name} {round_significant(Decimal(body.value), 3):f} {body.unit}: {body.verdict}"
        case e.Decision():
            against = f", against: {'; '.join(body.against)}" if body.against else ""
            return f"stays on: {'yes' if body.stays_on else 'no'}{against}"
        case e.Told():
            return f"told: {'nobody' if body.nobody else A_NAME}"
        case e.Correction():
            gone = [*body.findings, *([body.repair] if body.repair else [])]
            return "taken back: " + ", with it ".join([f"{body.quantity or body.step} {body.before}", *gone])
    of = structs.asdict(body)
    if of.get("unit") == "dimensionless":  # a count
        of["unit"] = ""
    return _SHOWN.get(body.kind, "").format_map(of).replace(" :", ":")


def rows(record: Record) -> Iterator[Row]:
    """What was answered in the set-up, then every turn, with what was decided and said of it then.

    `same` is False where the dialogue would now decide otherwise; None in a record whose rules are of another
    version of this program, so that nobody can say.
    """
    entries = list(record.entries())
    try:
        same = same_now(entries)
    except Problem:
        same = {}
    for turn in sorted(recorded(entries), key=lambda turn: turn.event is not None):
        shown = as_it_was(turn, same.get(turn.entry.seq) if turn.event else True)
        if shown:
            yield shown


def as_it_was(turn: Recorded, same: bool | None = True) -> Row | None:
    """One turn of a record as a row: what was decided and said then; None when there is nothing to see in it."""
    if turn.event is None:
        assert isinstance(turn.body, e.SetUp)
        return Row(turn.body.utc, turn.body.heard.text, decided(turn.body), "")
    effects: list[Effect] = [*(Note(note.kind, note.body) for note in turn.notes), *map(Say, turn.said)]
    shown = row(turn.event, effects, turn.entry.utc, same)
    if shown is None:
        return None
    return replace(shown, decided="; ".join(filter(None, (*how_it_came(turn.body), shown.decided))))


def how_it_came(body: e.Body) -> list[str]:
    """What is out of the ordinary in how an utterance came: what it cut off, and by the helper's microphone."""
    if not isinstance(body, e.Said):
        return []
    cut_off = [f"cut off: {body.interrupted}"] if body.interrupted else []
    return [*cut_off, *(["by the helper's microphone"] if body.microphone == "helper" else [])]
