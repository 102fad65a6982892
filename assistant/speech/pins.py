"""What is held fast of each model that came to this device: the sums of its archive and of its files."""

from __future__ import annotations

import json
from dataclasses import dataclass
from pathlib import Path

from pydantic import BaseModel, TypeAdapter, ValidationError

from assistant.errors import Problem
from assistant.places import write_whole
from assistant.speech.manifest import Name, Sha256


class Pin(BaseModel):
    """One model. archive_sha256: None when it came as a folder."""

    archive_sha256: Sha256 | None = None
    files: dict[str, Sha256] = {}


@dataclass(frozen=True)
class Pins:
    """The pins in one JSON file, which need not exist yet; Problem when it is damaged."""

    file: Path

    def all(self) -> dict[str, Pin]:
        """The pins by the names of the models."""
        try:
            return TypeAdapter(dict[Name, Pin]).validate_json(self.file.read_bytes())
        except FileNotFoundError:
            return {}
        except (OSError, ValidationError) as wrong:
            raise Problem(
                f"{self.file} cannot be read; delete it, then remove the models and fetch or add them again."
            ) from wrong

    def of(self, name: str) -> Pin:
        """The pin of one model; an empty one when nothing is pinned."""
        return self.all().get(name, Pin())

    def keep(self, name: str, pin: Pin) -> None:
        """Pins a model, over what was pinned before."""
        self._write({**self.all(), name: pin})

    def forget(self, name: str) -> None:
        """Drops the pin of a model."""
        self._write({other: pin for other, pin in self.all().items() if other != name})

    def _write(self, pins: dict[str, Pin]) -> None:
        self.file.parent.mkdir(parents=True, exist_ok=True)
        text = json.dumps({name: pin.model_dump() for name, pin in pins.items()}, indent=1)
        write_whole(self.file, text.encode())
