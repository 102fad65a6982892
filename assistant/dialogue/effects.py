"""What the dialogue wants done: entries for the record first, then words to say."""

from __future__ import annotations

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
