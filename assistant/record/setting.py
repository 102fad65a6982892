"""What a visit is worked by, as the first entry of its record keeps it."""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, fields, replace
from typing import Any, TypeVar

import msgspec
from pydantic import TypeAdapter, ValidationError

from assistant.dialogue.machine import Dialogue
from assistant.dialogue.state import Rules
from assistant.errors import Problem
from assistant.files import library
from assistant.language.jsgf import read_grammars
from assistant.language.utterance import Language
from assistant.record.chain import Entry
from assistant.record.entries import InPlaceOf, Visit, read
from assistant.record.record import Record
from assistant.trade.job import Job

T = TypeVar("T")

_RULES = TypeAdapter(Rules)


@dataclass(frozen=True)
class Setting:
    """What a visit is worked by, as its record's first entry keeps it.

    A record of another version of this program may have keys that are not known here; they are passed over.
    """

    rules: Rules
    grammars: dict[str, str]
    engine: str  # what hears
    voice: str  # what speaks
    origin: tuple[str, ...] = ()  # the recordings that were given
    in_place_of: InPlaceOf | None = None  # the unfinished visit that this one was begun in place of
    is_whole: bool = True  # nothing was passed over

    @property
    def grammar_sha256(self) -> str:
        """Which grammars these are."""
        return hashlib.sha256("\0".join(self.grammars.values()).encode()).hexdigest()

    def to_body(self) -> dict[str, Any]:
        """As plain JSON values."""
        return {
            **_RULES.dump_python(self.rules, mode="json"),
            "faults": self.rules.faults.model_dump(mode="json", exclude_defaults=True),
            "grammars": self.grammars,
            "grammar_sha256": self.grammar_sha256,
            "engine": self.engine,
            "voice": self.voice,
            "origin": list(self.origin),
            **({"in_place_of": msgspec.to_builtins(self.in_place_of)} if self.in_place_of else {}),
        }

    @classmethod
    def of(cls, visit: Visit) -> Setting:
        """The inverse of `to_body`. Raises pydantic's ValidationError when the rules cannot be read."""
        held = {each.name: getattr(visit, each.name) for each in fields(Rules)}
        if visit.risks is None:  # an older record: the words of the notice, which the program held then
            held["risks"] = library().risks
        try:
            rules, is_whole = _RULES.validate_python(held), True
        except ValidationError:
            rules, is_whole = _RULES.validate_python(held, extra="ignore"), False
        return cls(rules, visit.grammars, visit.engine, visit.voice, visit.origin, visit.in_place_of, is_whole)

    def with_(self, rules: Mapping[str, Any], grammars: dict[str, str] | None) -> Setting:
        """The same with other rules, by the names of their fields, and other grammars if any are given."""
        return replace(self, rules=replace(self.rules, **rules), grammars=grammars or self.grammars)

    def dialogue(self) -> Dialogue:
        """The dialogue by these rules and grammars. Raises Problem when the grammars are none."""
        language = Language(read_grammars(self.grammars), dict(self.rules.quantities))
        return Dialogue(language, self.rules)


def setting_of(record: Record) -> Setting:
    """What the visit of a record is worked by. Raises Problem when the record does not begin with it."""
    return setting_in(record.entries(), f"{record.path}")


def no_visit(name: str) -> Problem:
    """What is told of a record that does not begin with a visit."""
    return Problem(f"{name} holds no visit; it was stopped before it began, so start a new one.")


def setting_in(entries: Iterable[Entry], name: str) -> Setting:
    """What a visit is worked by, from its entries; `name` is that of the record, for a Problem."""
    return _held(next(iter(entries), None), name, Setting.of)


def job_in(first: Entry | None, name: str) -> Job:
    """The job of a visit, from its first entry; keys that are not known here are passed over. `name` as above."""
    return _held(first, name, lambda visit: Job.model_validate(visit.job, extra="ignore"))


def _held(first: Entry | None, name: str, take: Callable[[Visit], T]) -> T:
    """What the first entry of a visit holds. take: raises ValidationError where it cannot be read."""
    if first is None or first.kind != "visit":
        raise no_visit(name)
    try:
        visit = read(first)
        if isinstance(visit, Visit):
            return take(visit)
    except ValidationError:
        pass
    raise Problem(
        f"{name} is worked by rules of another version of this program, which cannot be read here; it can be verified, "
        "exported and replayed as it was, and assistant visit --resume begins a new visit of the same job."
    )
