"""What a visit is worked by, as the first entry of its record keeps it."""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from typing import Any

from pydantic import ValidationError

from assistant.dialogue.machine import Dialogue
from assistant.dialogue.state import Rules
from assistant.errors import Problem
from assistant.files import library
from assistant.language.jsgf import GrammarError, read_grammars
from assistant.language.utterance import Language
from assistant.record.chain import Entry
from assistant.record.record import Record
from assistant.trade.faults import Faults
from assistant.trade.history import History
from assistant.trade.job import Job
from assistant.trade.limits import GenericLimit
from assistant.trade.procedures import Hazard, Procedure
from assistant.trade.quantities import Quantity
from assistant.trade.risks import Risk


@dataclass(frozen=True)
class Setting:
    """What a visit is worked by, as its record's first entry keeps it.

    origin: for recordings, the files that were given. engine: what hears. voice: what speaks.
    """

    rules: Rules
    grammars: dict[str, str]
    engine: str
    voice: str
    origin: tuple[str, ...] = ()

    @property
    def grammar_sha256(self) -> str:
        """Which grammars these are."""
        return hashlib.sha256("\0".join(self.grammars.values()).encode()).hexdigest()

    def to_body(self) -> dict[str, Any]:
        """As plain JSON values."""
        rules = self.rules
        return {
            "procedure": rules.procedure.model_dump(mode="json"),
            "job": rules.job.model_dump(mode="json"),
            **{
                name: {key: model.model_dump(mode="json") for key, model in getattr(rules, name).items()}
                for name in ("quantities", "limits", "hazards", "risks")
            },
            "faults": rules.faults.model_dump(mode="json", exclude_defaults=True),
            "history": rules.history.model_dump(mode="json"),
            "grammars": self.grammars,
            "grammar_sha256": self.grammar_sha256,
            "engine": self.engine,
            "voice": self.voice,
            "origin": list(self.origin),
        }

    @classmethod
    def from_body(cls, body: dict[str, Any]) -> Setting:
        """The inverse of `to_body`."""
        rules = Rules(
            Procedure.model_validate(body["procedure"]),
            {key: Quantity.model_validate(value) for key, value in body["quantities"].items()},
            {key: GenericLimit.model_validate(value) for key, value in body["limits"].items()},
            {key: Hazard.model_validate(value) for key, value in body["hazards"].items()},
            Job.model_validate(body["job"]),
            History.model_validate(body.get("history", {})),  # older records have none
            Faults.model_validate(body.get("faults", {})),
            # Older records have none: they are the words of the notice, which the program held then.
            {key: Risk.model_validate(value) for key, value in body["risks"].items()}
            if "risks" in body
            else library().risks,
        )
        return cls(rules, body["grammars"], body["engine"], body["voice"], tuple(body["origin"]))

    def with_(self, rules: Mapping[str, Any], grammars: dict[str, str] | None) -> Setting:
        """The same with other rules, by the names of their fields, and other grammars if any are given."""
        return replace(self, rules=replace(self.rules, **rules), grammars=grammars or self.grammars)

    def dialogue(self) -> Dialogue:
        """The dialogue by these rules and grammars. Raises Problem when the grammars are none."""
        try:
            grammar = read_grammars(self.grammars)
        except GrammarError as wrong:
            raise Problem(str(wrong)) from wrong
        language = Language(grammar, dict(self.rules.quantities))
        return Dialogue(language, self.rules)


def setting_of(record: Record) -> Setting:
    """What the visit of a record is worked by. Raises Problem when the record does not begin with it."""
    return setting_in(record.entries(), f"{record.path}")


def setting_in(entries: Iterable[Entry], name: str) -> Setting:
    """What a visit is worked by, from its entries; `name` is that of the record, for a Problem."""
    first = next(iter(entries), None)
    if first is None or first.kind != "visit":
        raise Problem(f"{name} holds no visit; it was stopped before it began, so start a new one.")
    try:
        return Setting.from_body(first.body)
    except (KeyError, ValidationError) as wrong:
        raise Problem(
            f"{name} is worked by rules of another version of this program; it can be verified and exported here, "
            "and replayed as it was; only that version goes on with it or judges it again."
        ) from wrong
