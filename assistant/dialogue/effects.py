"""What the dialogue wants done: entries for the record first, then words to say."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import Any, Literal

Manner = Literal["prompt", "hazard", "answer", "call", "alarm"]


@dataclass(frozen=True)
class Note:
    """An entry for the record: committed before anything after it is said. body: plain JSON values."""

    kind: str
    body: dict[str, Any] = field(default_factory=dict)


@dataclass(frozen=True)
class Say:
    """Words for the voice: whole sentences, each under five seconds."""

    text: str
    manner: Manner = "prompt"


Effect = Note | Say


def notes_of(effects: Iterable[Effect]) -> list[tuple[str, dict[str, Any]]]:
    """The entries among effects: pairs (kind, body)."""
    return [(effect.kind, effect.body) for effect in effects if isinstance(effect, Note)]


def says_of(effects: Iterable[Effect]) -> list[Say]:
    """The words among effects."""
    return [effect for effect in effects if isinstance(effect, Say)]
