"""Reads what people write: the project's data files and job files, with errors that name file, line and column."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from decimal import Decimal
from functools import cached_property
from pathlib import Path
from typing import Any, TypeVar

from pydantic import BaseModel, ValidationError
from ruamel.yaml import YAML
from ruamel.yaml.error import MarkedYAMLError, YAMLError

from assistant.dialogue.state import Rules
from assistant.errors import Problem
from assistant.language.jsgf import Grammar, GrammarError, read_grammars
from assistant.language.utterance import Language
from assistant.trade.findings import FINDINGS
from assistant.trade.job import Job
from assistant.trade.limits import GenericLimit
from assistant.trade.procedures import Hazard, Procedure, check
from assistant.trade.quantities import Quantity

M = TypeVar("M", bound=BaseModel)

_PACKAGE = Path(__file__).parent
TRADE_DATA = _PACKAGE / "trade" / "data"


def top_folder(name: str) -> Path:
    """A data folder of the project: beside the package in a checkout, inside it when installed."""
    inside = _PACKAGE / "_data" / name
    return inside if inside.is_dir() else _PACKAGE.parent / name


def read_yaml(path: Path) -> Any:
    """The content of a YAML file with its line marks; Problem with one sentence when it is not one."""
    try:
        text = path.read_text(encoding="utf-8")
    except FileNotFoundError:
        raise Problem(f"{path} does not exist; check the name.") from None
    except (OSError, UnicodeDecodeError) as wrong:
        raise Problem(f"{path} cannot be read as text ({wrong}); check the file.") from wrong
    try:
        data = YAML(typ="rt").load(text)
    except MarkedYAMLError as wrong:
        mark = wrong.problem_mark or wrong.context_mark
        where = f", line {mark.line + 1}, column {mark.column + 1}" if mark else ""
        raise Problem(f"{path}{where}: this is not YAML: {wrong.problem or wrong.context}.") from wrong
    except YAMLError as wrong:
        raise Problem(f"{path} is not YAML: {wrong}.") from wrong
    if data is None:
        raise Problem(f"{path} is empty; write it first.")
    return data


def parse(path: Path, data: Any, model: type[M], within: Sequence[str] = (), **also: str) -> M:
    """`data` of a YAML file, and `also`, as `model`; Problem naming file, line, column and key if it does not fit.

    within: the keys above `data` in the file.
    """
    try:
        return model.model_validate({**_plain(data), **also} if isinstance(data, Mapping) else data)
    except ValidationError as wrong:
        # A key that is not known is the likelier slip of the pen than the one that is missed for it.
        error = min(wrong.errors(), key=lambda e: e["type"] != "extra_forbidden")
        line, column = _place(data, error["loc"])
        key = ".".join(str(part) for part in (*within, *error["loc"]))
        what = error["msg"].removeprefix("Value error, ").rstrip(".")
        if error["type"] == "extra_forbidden":
            what = "no such key is known here"
        raise Problem(f"{path}, line {line}, column {column}: {key or 'the file'}: {what}.") from wrong


def _plain(data: Any) -> Any:
    if isinstance(data, Mapping):
        return {str(key): _plain(value) for key, value in data.items()}
    if isinstance(data, list):
        return [_plain(item) for item in data]
    if isinstance(data, float):
        return Decimal(repr(float(data)))  # the digits as written, not the nearest binary fraction
    return data


def _place(data: Any, loc: Sequence[int | str]) -> tuple[int, int]:
    """Line and column, from 1, of the deepest part of `loc` that is in the file."""
    marks: Any = getattr(data, "lc", None)  # only YAML's own mappings and lists have it
    line, column = (marks.line, marks.col) if marks else (0, 0)
    for part in loc:
        try:
            line, column = marks.key(part) if isinstance(data, Mapping) else marks.item(part)
            data = data[part]
            marks = getattr(data, "lc", None)
        except (AttributeError, KeyError, IndexError, TypeError):
            break
    return line + 1, column + 1


def read_job(path: Path) -> Job:
    """A job file; Problem with one sentence for a wrong key, unit or value."""
    job = parse(path, read_yaml(path), Job)
    known = library().quantities
    named: dict[str, Iterable[str]] = {
        "plate": job.plate,
        "previous": job.previous,
        **{f"meter {m.name!r}": m.measures for m in job.meters},
    }
    for where, names in named.items():
        for name in names:
            if name not in known and name not in library().limits:
                raise Problem(
                    f"{path}: {where} names {name!r}, which is not a quantity; see assistant hear --questions."
                )
    return job


def read_procedure(path: Path, quantities: Mapping[str, object], hazards: Mapping[str, Hazard]) -> Procedure:
    """A procedure file, checked; Problem with one sentence for the first thing that is wrong with it."""
    procedure = parse(path, read_yaml(path), Procedure)
    for problem in check(procedure, quantities, hazards, FINDINGS):
        raise Problem(f"{path}: {problem}")
    return procedure


@dataclass(frozen=True)
class Library:
    """The project's data files, read and checked when first used."""

    @cached_property
    def quantities(self) -> dict[str, Quantity]:
        """What can be asked for, by name."""
        path = TRADE_DATA / "quantities.yaml"
        return {name: parse(path, body, Quantity, (name,), name=name) for name, body in read_yaml(path).items()}

    @cached_property
    def limits(self) -> dict[str, GenericLimit]:
        """The generic limits, by quantity or finding."""
        path = TRADE_DATA / "limits.yaml"
        return {name: parse(path, body, GenericLimit, (name,), quantity=name) for name, body in read_yaml(path).items()}

    @cached_property
    def hazards(self) -> dict[str, Hazard]:
        """The warnings, by name."""
        path = TRADE_DATA / "hazards.yaml"
        return {name: parse(path, body, Hazard, (name,)) for name, body in read_yaml(path).items()}

    @cached_property
    def procedures(self) -> dict[str, Procedure]:
        """The procedures, by name."""
        paths = sorted((TRADE_DATA / "procedures").glob("*.yaml"))
        read = [read_procedure(path, self.quantities, self.hazards) for path in paths]
        return {procedure.name: procedure for procedure in read}

    @cached_property
    def grammar_texts(self) -> dict[str, str]:
        """The grammar files, by name."""
        return {p.name: p.read_text(encoding="utf-8") for p in sorted(top_folder("grammars").glob("*.jsgf"))}

    @cached_property
    def grammar(self) -> Grammar:
        """The grammars, read together."""
        try:
            return read_grammars(self.grammar_texts)
        except GrammarError as wrong:
            raise Problem(str(wrong)) from wrong

    @cached_property
    def language(self) -> Language:
        """The spoken language of the grammars."""
        return Language(self.grammar, self.quantities)

    def rules_for(self, job: Job) -> Rules:
        """What a visit for this job is worked by."""
        return Rules(self.procedure_for(job), self.quantities, self.limits, self.hazards, job)

    def procedure_for(self, job: Job) -> Procedure:
        """The procedure for a job; Problem when there is none."""
        wanted = (job.appliance.ignition, job.appliance.fuel, job.visit)
        for procedure in self.procedures.values():
            if (procedure.ignition, procedure.fuel, procedure.visit) == wanted:
                return procedure
        have = "; ".join(p.title for p in self.procedures.values())
        raise Problem(f"There is no procedure for {', '.join(wanted)}; there is: {have}.")


_LIBRARY = Library()


def library() -> Library:
    """The project's data files."""
    return _LIBRARY
