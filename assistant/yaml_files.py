"""Reads the YAML that people write: the project's data files and job files, with errors that name line and column."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass
from decimal import Decimal
from functools import lru_cache
from pathlib import Path
from typing import Any, Self, TypeVar

from pydantic import BaseModel, ValidationError

from assistant.errors import Problem
from assistant.places import cached
from assistant.trade.job import Ignition

M = TypeVar("M", bound=BaseModel)
Loc = Sequence[str | int]
"""The keys and the numbers of items that lead to a part of a file."""


@lru_cache(maxsize=64)
def _values(text: str, keep: bool) -> Any:
    """The values of a YAML text, kept: a check of many files reads the same parts for each. Nobody may change them.

    keep: they are kept in the user's cache, too, for reading YAML is slow.
    """
    return _plain(cached("yaml", text, lambda: _json(_parsed(text))) if keep else _json(_parsed(text)))


@lru_cache(maxsize=64)
def _parsed(text: str) -> Any:
    """The content of a YAML text, with the places of its keys and items."""
    from ruamel.yaml import YAML  # noqa: PLC0415 - slow to import, and not needed where the cache has the file
    from ruamel.yaml.error import MarkedYAMLError, YAMLError  # noqa: PLC0415
    from ruamel.yaml.events import AliasEvent  # noqa: PLC0415

    try:
        if "*" in text and any(isinstance(event, AliasEvent) for event in YAML().parse(text)):
            raise ValueError("it refers to another part of itself (*name); write that out")
        return YAML(typ="rt").load(text)
    except MarkedYAMLError as wrong:
        mark = wrong.problem_mark or wrong.context_mark
        where = f"line {mark.line + 1}, column {mark.column + 1}: " if mark else ""
        raise ValueError(f"{where}this is not YAML: {_one_line(wrong.problem or wrong.context)}") from wrong
    except YAMLError as wrong:
        raise ValueError(f"this is not YAML: {_one_line(getattr(wrong, 'reason', wrong))}") from wrong
    except RecursionError:
        raise ValueError("its parts lie too deep inside each other") from None


def _json(data: Any) -> Any:
    """What was read as JSON has it."""
    if isinstance(data, dict):
        return {str(key): _json(value) for key, value in data.items()}
    if isinstance(data, list):
        return [_json(item) for item in data]
    if isinstance(data, bool | int | None):
        return data if isinstance(data, bool | None) else int(data)
    return float(data) if isinstance(data, float) else str(data)  # a date as it is written in ISO 8601


def _plain(data: Any) -> Any:
    """It as models take it: a number with the digits as written, not the nearest binary fraction."""
    if isinstance(data, dict):
        return {key: _plain(value) for key, value in data.items()}
    if isinstance(data, list):
        return [_plain(item) for item in data]
    return Decimal(repr(data)) if isinstance(data, float) else data


def _one_line(text: object) -> str:
    return " ".join(str(text).split()).rstrip(".")


def read_yaml(path: Path, keep: bool = False) -> Any:
    """The values of a YAML file, not to be changed.

    keep: see `_values`. Problem with one sentence when it cannot be read.
    """
    try:
        data = _values(_text(path), keep)
    except ValueError as wrong:
        raise Problem(f"{path}, {wrong}.") from wrong
    if data is None:
        raise Problem(f"{path} is empty; write it first.")
    return data


def _text(path: Path) -> str:
    try:
        return path.read_text(encoding="utf-8-sig")
    except FileNotFoundError:
        raise Problem(f"{path} does not exist; check the name.") from None
    except IsADirectoryError:
        raise Problem(f"{path} is a folder; name a file in it.") from None
    except UnicodeDecodeError:
        raise Problem(f"{path} is not text in UTF-8; save it again as UTF-8.") from None
    except OSError as wrong:
        raise Problem(f"{path} cannot be read ({wrong.strerror}); check the file.") from wrong


@dataclass(frozen=True)
class Flaw:
    """What is wrong in a file: where, from 1, and one sentence."""

    path: Path
    line: int
    column: int
    says: str

    @classmethod
    def at(cls, path: Path, loc: Loc, says: str, within: Loc = ()) -> Self:
        """What is wrong at the deepest part of `loc` that is in the file, below the keys `within`."""
        data, line, column = _parsed(_text(path)), 0, 0
        with suppress(AttributeError, KeyError, IndexError, TypeError):
            for part in within:
                data = data[part]
            line, column = data.lc.line, data.lc.col
            for part in loc:
                places = data.lc
                line, column = places.key(part) if isinstance(data, dict) else places.item(part)
                data = data[part]
        return cls(path, line + 1, column + 1, says)

    def __str__(self) -> str:
        says = " ".join(self.says.split())  # one line, whatever the keys of the file are
        return f"{self.path}, line {self.line}, column {self.column}: {says}"


Systems = Mapping[Ignition, Ignition | None]
"""The ignition systems that are known, each with the one that it is worked as."""


def fit(
    path: Path, data: Any, model: type[M], within: Loc | None = (), known: Systems | None = None, **also: str
) -> M | list[Flaw]:
    """`data` of a YAML file, and `also`, as `model`; or all that does not fit.

    within: the keys above `data` in the file; None: it is put together, and has no place there. known: the ignition
    systems that it may name; None: any.
    """
    try:
        return model.model_validate({**data, **also} if isinstance(data, Mapping) else data, context=known)
    except ValidationError as wrong:
        return [flaw for _, flaw in unfit(path, wrong, within)]


SAYS = {
    "missing": "it is missing",
    "extra_forbidden": "no such key is known here",
    "string_type": "it must be text; put it in quotes",
    **dict.fromkeys(("decimal_type", "decimal_parsing", "finite_number"), "it must be a number, as 90000 or 3.5"),
    **dict.fromkeys(("bool_type", "bool_parsing"), "it must be true or false"),
    **dict.fromkeys(("list_type", "tuple_type"), "it must be a list, as [one, two]"),
    "dict_type": "it must be keys with their values",
    "string_pattern_mismatch": "it must be a date, as 2027-03-02",
}
"""What is wrong, by pydantic's name for it, where pydantic's own sentence speaks of Python."""


def unfit(path: Path, wrong: ValidationError, within: Loc | None = ()) -> Iterator[tuple[str, Flaw]]:
    """What does not fit, each with pydantic's name for it. within: see `fit`."""
    # A key that is not known is a likelier typing error than the missing key that it stands for.
    for error in sorted(wrong.errors(), key=lambda e: e["type"] != "extra_forbidden"):
        loc = _without_tags(error["loc"])
        key = ".".join(str(part) for part in (*(within or ()), *loc))
        told = error["msg"].removeprefix("Value error, ").replace("Input should be", "it must be").rstrip(".")
        what = SAYS.get(error["type"], told)
        if error["type"] == "extra_forbidden" and str(loc[-1]).isdigit():  # 90,000 is two things in YAML
            key, what = key.rpartition(".")[0], "write a number without a comma, as 90000"
        elif error["input"] is None:
            what = "it is empty; fill it in, or take the line out"
        elif error["type"] == "model_type":
            what = f"it has keys of its own, below it: {', '.join(_keys_of(error['ctx']['class_name']))}"
        says = f"{key or 'the file'}: {what}."
        yield error["type"], Flaw(path, 1, 1, says) if within is None else Flaw.at(path, loc, says, within)


def _keys_of(name: str, models: Iterable[type[BaseModel]] | None = None) -> list[str]:
    """The keys that the model of that name needs."""
    for model in models or BaseModel.__subclasses__():
        if model.__name__ == name:
            return [key for key, field in model.model_fields.items() if field.is_required()]
        if found := _keys_of(name, model.__subclasses__()) if model.__subclasses__() else []:
            return found
    return []


def parse(path: Path, data: Any, model: type[M], within: Loc = (), known: Systems | None = None, **also: str) -> M:
    """As `fit`; Problem with the first thing that does not fit, naming file, line, column and key."""
    fitted = fit(path, data, model, within, known, **also)
    if isinstance(fitted, list):
        raise Problem(str(fitted[0]))
    return fitted


def _without_tags(loc: Loc) -> tuple[int | str, ...]:
    """The keys of an error without the names that pydantic gives to the kinds of an entry in a list of steps."""
    return tuple(
        part for at, part in enumerate(loc) if not (part in ("step", "include") and at and isinstance(loc[at - 1], int))
    )
