"""Which speech models are known: models_manifest/models.toml, and the sums of a model's files.

`python -m assistant.speech.manifest`, run at the top of the repository after a build, writes the bundled
model's size and sums anew.
"""

from __future__ import annotations

import tomllib
from pathlib import Path
from typing import Annotated

from pydantic import BaseModel, ConfigDict, Field, StringConstraints, ValidationError, model_validator

from assistant.errors import Problem
from assistant.places import file_sum

# A name becomes a folder and a line of TOML, so it may hold nothing that either reads as more than a name.
NAME_PATTERN = r"^[A-Za-z0-9][A-Za-z0-9._-]{0,79}$"
MARK = "# -- written by `python -m assistant.speech.manifest`; do not edit below --\n"

Name = Annotated[str, StringConstraints(pattern=NAME_PATTERN)]
Sha256 = Annotated[str, StringConstraints(pattern=r"^[0-9a-f]{64}$")]


class KnownModel(BaseModel):
    """One model of the manifest. models.toml says at its head what each field means."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    name: Name
    language: str
    licence: str
    source: str
    run_time_words: bool
    sample_rate_hz: int
    size_bytes: int = Field(gt=0)
    notes: str = ""
    url: str | None = None
    folder: Name | None = None
    sha256: Sha256 | None = None
    sha256_reported: Sha256 | None = None
    files: dict[str, Sha256] = {}

    @property
    def bundled(self) -> bool:
        """Whether it comes with the assistant."""
        return self.folder is not None

    @model_validator(mode="after")
    def _comes_from_somewhere(self) -> KnownModel:
        if (self.folder is None) == (self.url is None):
            raise ValueError(f"{self.name} needs either a folder or a url")
        return self


class Manifest(BaseModel):
    """The known models: any number that can be fetched, and exactly one that is bundled."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    models: tuple[KnownModel, ...] = Field(alias="model")

    @model_validator(mode="after")
    def _names_one_bundled_model(self) -> Manifest:
        if len(self.by_name) < len(self.models):
            raise ValueError("two models have the same name")
        if sum(model.bundled for model in self.models) != 1:
            raise ValueError("exactly one model must have a folder, which makes it the bundled one")
        return self

    @property
    def by_name(self) -> dict[str, KnownModel]:
        """The models by their names."""
        return {model.name: model for model in self.models}

    @property
    def bundled(self) -> KnownModel:
        """The model that comes with the assistant."""
        return next(model for model in self.models if model.bundled)


def read_manifest(path: Path) -> Manifest:
    """The manifest in `path`; Problem when it is missing, is not TOML or does not fit."""
    try:
        return Manifest.model_validate(tomllib.loads(path.read_text(encoding="utf-8")))
    except OSError as wrong:
        raise Problem(f"{path} cannot be read ({wrong.strerror}); install the assistant again.") from wrong
    except ValidationError as wrong:
        error = wrong.errors()[0]
        where = ".".join(str(part) for part in error["loc"]) or "the file"
        what = error["msg"].removeprefix("Value error, ")
        raise Problem(f"{path}: {where}: {what}; correct it there.") from wrong
    except ValueError as wrong:  # not TOML, or not UTF-8
        raise Problem(f"{path} is not TOML: {wrong}; correct it there.") from wrong


def folder_sums(folder: Path) -> dict[str, str]:
    """SHA-256 of every file in a folder, by its path from there with forward slashes, in their order."""
    files = {path.relative_to(folder).as_posix(): path for path in folder.rglob("*") if path.is_file()}
    return {name: file_sum(files[name]) for name in sorted(files)}


def folder_bytes(folder: Path) -> int:
    """How many bytes the files in a folder hold together."""
    return sum(path.stat().st_size for path in folder.rglob("*") if path.is_file())


def rewrite_sums(path: Path) -> None:
    """Writes the bundled model's size and sums into the manifest in `path`, below its mark.

    Raises Problem when the mark is missing, or no [[model]] above it names a folder beside the manifest.
    """
    text = path.read_text(encoding="utf-8")
    above, mark, _ = text.partition(MARK)
    folder = next((m["folder"] for m in tomllib.loads(above).get("model", [])[-1:] if "folder" in m), None)
    if not mark or folder is None:
        raise Problem(f"{path} must end with the bundled model, its folder and the line {MARK.strip()!r}.")
    sums = folder_sums(path.parent / folder)
    if not sums:
        raise Problem(f"{path.parent / folder} holds no files; build the bundled model first.")
    lines = [f"size_bytes = {folder_bytes(path.parent / folder)}", "", "[model.files]"]
    lines += [f'"{name}" = "{digest}"' for name, digest in sums.items()]
    path.write_text(above + mark + "\n".join(lines) + "\n", encoding="utf-8", newline="\n")


if __name__ == "__main__":
    rewrite_sums(Path("models_manifest", "models.toml"))
