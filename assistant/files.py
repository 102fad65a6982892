"""Reads what people write: the project's data files and job files, with errors that name file, line and column."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from decimal import Decimal
from functools import cache, cached_property, lru_cache
from pathlib import Path
from typing import Any, TypeVar

from pydantic import BaseModel, ValidationError
from ruamel.yaml import YAML
from ruamel.yaml.error import MarkedYAMLError, YAMLError

from assistant.dialogue.state import Rules
from assistant.errors import Problem
from assistant.language.jsgf import Grammar, GrammarError, read_grammars
from assistant.language.utterance import Language
from assistant.places import top_folder
from assistant.trade.checking import check
from assistant.trade.computations import FINDINGS
from assistant.trade.faults import Faults
from assistant.trade.history import History
from assistant.trade.job import Fuel, Ignition, Job, VisitKind
from assistant.trade.judging import Forbids
from assistant.trade.limits import CheckValue, GenericLimit
from assistant.trade.procedures import (
    Hazard,
    Include,
    Part,
    Place,
    Procedure,
    ProcedureTable,
    System,
    WrittenProcedure,
    assemble,
)
from assistant.trade.quantities import Quantity
from assistant.trade.risks import Risk
from assistant.trade.set_up import Asked

M = TypeVar("M", bound=BaseModel)

TRADE_DATA = Path(__file__).parent / "trade" / "data"
PROCEDURES = "procedures.yaml"
"""The table of procedures in a folder of data files."""
SHIPPED_LIMITS = TRADE_DATA / "limits.yaml"


@lru_cache(maxsize=64)
def _loaded(text: str) -> Any:
    """The content of a YAML text, kept: a check of many files reads the same parts for each. Nobody may change it."""
    return YAML(typ="rt").load(text)


def read_yaml(path: Path) -> Any:
    """The content of a YAML file with its line marks, not to be changed; Problem with one sentence when it is none."""
    try:
        text = path.read_text(encoding="utf-8")
    except FileNotFoundError:
        raise Problem(f"{path} does not exist; check the name.") from None
    except (OSError, UnicodeDecodeError) as wrong:
        raise Problem(f"{path} cannot be read as text ({wrong}); check the file.") from wrong
    try:
        data = _loaded(text)
    except MarkedYAMLError as wrong:
        mark = wrong.problem_mark or wrong.context_mark
        where = f", line {mark.line + 1}, column {mark.column + 1}" if mark else ""
        raise Problem(f"{path}{where}: this is not YAML: {wrong.problem or wrong.context}.") from wrong
    except YAMLError as wrong:
        raise Problem(f"{path} is not YAML: {wrong}.") from wrong
    if data is None:
        raise Problem(f"{path} is empty; write it first.")
    return data


@dataclass(frozen=True)
class Flaw:
    """What is wrong in a file: where, from 1, and one sentence."""

    path: Path
    line: int
    column: int
    says: str

    def __str__(self) -> str:
        return f"{self.path}, line {self.line}, column {self.column}: {self.says}"


Systems = Mapping[Ignition, Ignition | None]
"""The ignition systems that are known, each with the one that it is worked as."""


def fit(
    path: Path, data: Any, model: type[M], within: Sequence[str] = (), known: Systems | None = None, **also: str
) -> M | list[Flaw]:
    """`data` of a YAML file, and `also`, as `model`; or all that does not fit.

    within: the keys above `data` in the file. known: the ignition systems that it may name; None: any.
    """
    try:
        whole = {**_plain(data), **also} if isinstance(data, Mapping) else data
        return model.model_validate(whole, context=known)
    except ValidationError as wrong:
        return [flaw for _, flaw in _flaws(path, data, wrong, within)]


def _flaws(path: Path, data: Any, wrong: ValidationError, within: Sequence[str] = ()) -> Iterator[tuple[str, Flaw]]:
    """What does not fit, each with pydantic's name for it."""
    # A key that is not known is a likelier typing error than the missing key that it stands for.
    for error in sorted(wrong.errors(), key=lambda e: e["type"] != "extra_forbidden"):
        loc = _without_tags(error["loc"])
        key = ".".join(str(part) for part in (*within, *loc))
        what = error["msg"].removeprefix("Value error, ").rstrip(".")
        if error["type"] == "extra_forbidden":
            what = "no such key is known here"
        yield error["type"], Flaw(path, *_place(data, loc), f"{key or 'the file'}: {what}.")


def parse(
    path: Path, data: Any, model: type[M], within: Sequence[str] = (), known: Systems | None = None, **also: str
) -> M:
    """As `fit`; Problem with the first thing that does not fit, naming file, line, column and key."""
    fitted = fit(path, data, model, within, known, **also)
    if isinstance(fitted, list):
        raise Problem(str(fitted[0]))
    return fitted


def _without_tags(loc: Sequence[int | str]) -> tuple[int | str, ...]:
    """The keys of an error without the names that pydantic gives to the kinds of an entry in a list of steps."""
    return tuple(
        part for at, part in enumerate(loc) if not (part in ("step", "include") and at and isinstance(loc[at - 1], int))
    )


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
    data = read_yaml(path)
    job = parse(path, data, Job, known=library().known)
    _check_names(path, data)
    return job


def read_draft(path: Path) -> dict[str, Any]:
    """A job file that may leave things out, as plain values; Problem with one sentence for what is in it and wrong."""
    data = read_yaml(path)
    try:
        Job.model_validate(_plain(data), context=library().known)
    except ValidationError as wrong:
        for kind, flaw in _flaws(path, data, wrong):
            if kind != "missing":
                raise Problem(str(flaw)) from wrong
    _check_names(path, data)
    return {str(key): value for key, value in _plain(data).items()}


def _check_names(path: Path, job: Mapping[str, Any]) -> None:
    """Problem for a quantity that is not known, in a job file that is otherwise right."""
    named: dict[str, Iterable[str]] = {
        "plate": job.get("plate") or (),
        "previous": job.get("previous") or (),
        **{f"meter {meter.get('name', '')!r}": meter.get("measures") or () for meter in job.get("meters") or ()},
    }
    for where, names in named.items():
        for name in names:
            if name not in library().quantities and name not in library().limits:
                raise Problem(
                    f"{path}: {where} names {name!r}, which is not a quantity; see assistant hear --questions."
                )


def read_grammar_texts(folder: Path) -> dict[str, str]:
    """The grammar files of a folder, by name; Problem when there are none."""
    texts = {path.name: path.read_text(encoding="utf-8") for path in sorted(folder.glob("*.jsgf"))}
    if not texts:
        raise Problem(f"{folder} holds no grammars (*.jsgf); name a folder that does.")
    return texts


def read_limits(path: Path, job: Job) -> dict[str, GenericLimit]:
    """The generic limits of a file that hold for a job; Problem with one sentence for what does not fit."""
    appliance = job.appliance
    entries = {name: (path, body) for name, body in read_yaml(path).items()}
    return _holding(_limits(entries, library().known), appliance.fuel, appliance.ignition, job.visit)


def _limits(
    entries: Mapping[str, tuple[Path, Any]], known: Systems | None = None
) -> dict[str, tuple[GenericLimit, ...]]:
    """Limits by name. One that takes the place of a shipped one forbids what that one forbids, and may forbid more;
    Problem where it says that it forbids less."""
    return {
        name: tuple(
            _forbidding(path, each, parse(path, each, GenericLimit, (name,), known, quantity=name))
            for each in (body if isinstance(body, list) else [body])
        )
        for name, (path, body) in entries.items()
    }


@cache
def _shipped_forbids() -> dict[str, tuple[Forbids, ...]]:
    """What the shipped limits forbid, by name."""
    shipped = _limits({name: (SHIPPED_LIMITS, body) for name, body in read_yaml(SHIPPED_LIMITS).items()})
    return {name: tuple(limit.forbids for limit in each if limit.forbids) for name, each in shipped.items()}


def _forbidding(path: Path, data: Any, limit: GenericLimit) -> GenericLimit:
    shipped = () if path == SHIPPED_LIMITS else _shipped_forbids().get(limit.quantity, ())
    if says := _forbids_less(limit, shipped):
        raise Problem(str(Flaw(path, *_place(data, ()), says)))
    return limit if limit.forbids or not shipped else limit.model_copy(update={"forbids": shipped[0]})


def _forbids_less(limit: GenericLimit, shipped: Sequence[Forbids]) -> str:
    """What is wrong where a limit says that it forbids less than the shipped one; empty where it does not.

    One that does not say what it forbids keeps what is shipped.
    """
    own = limit.forbids
    if "forbids" not in limit.model_fields_set or all(own and own.covers(each) for each in shipped):
        return ""
    return f"{limit.quantity}: forbids is weaker than what is shipped; leave it out to keep that, or forbid more."


def _holding(
    limits: Mapping[str, tuple[GenericLimit, ...]], fuel: Fuel, ignition: Ignition, visit: VisitKind
) -> dict[str, GenericLimit]:
    """Of several limits for one thing the first that holds counts."""
    holding = {
        name: next((limit for limit in each if limit.only.holds(fuel, ignition, visit)), None)
        for name, each in limits.items()
    }
    return {name: limit for name, limit in holding.items() if limit}


@dataclass(frozen=True)
class PartFile:
    """A file of steps: as written, with its marks, and as a model."""

    path: Path
    data: Any
    part: Part


def _flaws_of(fitted: Any) -> list[Flaw]:
    """What is wrong, of what `fit` gives."""
    return fitted if isinstance(fitted, list) else []


def _of(names: Sequence[str]) -> str:
    return names[0] if len(names) == 1 else f"{names[0]} and {len(names) - 1} more"


def _systems_in(path: Path) -> dict[Ignition, System]:
    """The ignition systems of a table of procedures that fit; what does not is told when the table is read."""
    data = read_yaml(path) if path.exists() else {}
    written = data.get("ignition") if isinstance(data, Mapping) else None
    fitted = {name: fit(path, body, System) for name, body in written.items()} if isinstance(written, Mapping) else {}
    return {str(name): system for name, system in fitted.items() if isinstance(system, System)}


_ENTRIES: dict[str, tuple[type[BaseModel], str]] = {
    "limits.yaml": (GenericLimit, "quantity"),
    "hazards.yaml": (Hazard, ""),
    "quantities.yaml": (Quantity, "name"),
    "check_values.yaml": (CheckValue, ""),
    "risks.yaml": (Risk, ""),
}
"""The data files that are entries by name: what an entry is, and the key that takes its name."""


@dataclass(frozen=True)
class Library:
    """The project's data files, and those of a shop that add to or replace them; read and checked when first used.

    shop: a folder with procedures/ (a file for each) and what `TRADE_DATA` has: parts/, procedures.yaml, limits.yaml,
    hazards.yaml, quantities.yaml, risks.yaml, each where wanted. What has the name of something shipped takes its
    place; a limit still forbids what the shipped one forbids.
    """

    shop: Path | None = None

    @property
    def folders(self) -> tuple[Path, ...]:
        """Where the files are looked for; of two with one name the later one counts."""
        return (TRADE_DATA,) if self.shop is None else (TRADE_DATA, self.shop)

    def _entries(self, name: str) -> dict[str, tuple[Path, Any]]:
        """The entries of a data file by name, each with the file that it is from; later folders win."""
        files = [folder / name for folder in self.folders if folder == TRADE_DATA or (folder / name).exists()]
        return {key: (path, body) for path in files for key, body in read_yaml(path).items()}

    def _models(self, file: str) -> dict[str, Any]:
        """The entries of a data file by name, as models."""
        model, key = _ENTRIES[file]
        return {
            name: parse(path, body, model, (name,), None, **({key: name} if key else {}))
            for name, (path, body) in self._entries(file).items()
        }

    @cached_property
    def quantities(self) -> dict[str, Quantity]:
        """What can be asked for, by name."""
        return self._models("quantities.yaml")

    @cached_property
    def limits(self) -> dict[str, tuple[GenericLimit, ...]]:
        """The generic limits, by quantity or finding: of several, the first that holds for a job counts."""
        return _limits(self._entries("limits.yaml"), self.known)

    def limits_for(self, fuel: Fuel, ignition: Ignition, visit: VisitKind) -> dict[str, GenericLimit]:
        """The generic limits that hold for a fuel, an ignition system and a kind of visit."""
        return _holding(self.limits, fuel, ignition, visit)

    @cached_property
    def hazards(self) -> dict[str, Hazard]:
        """The warnings, by name."""
        return self._models("hazards.yaml")

    @cached_property
    def risks(self) -> dict[str, Risk]:
        """What an unsafe finding can do to people, by name."""
        return self._models("risks.yaml")

    @cached_property
    def check_values(self) -> dict[str, CheckValue]:
        """Figures of common practice to look things up by, by name; no reading is judged by them."""
        return self._models("check_values.yaml")

    @cached_property
    def systems(self) -> dict[Ignition, System]:
        """The ignition systems of the tables, by name; one that is shipped asks for what it did, and maybe for more."""
        found: dict[Ignition, System] = {}
        for name, system in (each for folder in self.folders for each in _systems_in(folder / PROCEDURES).items()):
            shipped = found[name].proves if name in found else ()
            found[name] = system.model_copy(update={"proves": tuple(dict.fromkeys((*shipped, *system.proves)))})
        return found

    @cached_property
    def known(self) -> Systems:
        """The ignition systems that a file may name, each with the one that it is worked as."""
        return {name: system.like for name, system in self.systems.items()}

    @cached_property
    def parts(self) -> dict[str, PartFile]:
        """The files that procedures include, by name."""
        files = {path.stem: path for folder in self.folders for path in sorted((folder / "parts").glob("*.yaml"))}
        read = {name: (path, read_yaml(path)) for name, path in files.items()}
        return {
            name: PartFile(path, data, parse(path, data, Part, known=self.known)) for name, (path, data) in read.items()
        }

    @cached_property
    def procedures(self) -> dict[str, Procedure]:
        """The procedures, by name."""
        files = [
            path
            for folder in self.folders
            for path in (*folder.glob(PROCEDURES), *sorted((folder / "procedures").glob("*.yaml")))
        ]
        return {procedure.name: procedure for path in files for procedure in self.read_procedures(path)}

    def read_procedures(self, path: Path) -> list[Procedure]:
        """The procedures of a file or a table, checked; Problem with one sentence for the first thing that is wrong."""
        procedures, flaws = self.examine(path)
        if flaws:
            raise Problem(str(flaws[0]))
        return procedures

    def flaws_in(self, path: Path) -> list[Flaw]:
        """All that is wrong in a data file: a procedure, the table of procedures, a part, the table of faults, or a
        file of limits, hazards or quantities.

        Which it is follows from its name (limits.yaml), else from its keys: a procedure has a name.
        """
        data = read_yaml(path)
        kind = _ENTRIES.get(path.name)
        if path.name == "faults.yaml":
            return _flaws_of(fit(path, data, Faults, known=self.known))
        if path.name == "set_up.yaml" and isinstance(data, list):
            return [flaw for each in data for flaw in _flaws_of(fit(path, each, Asked))]
        if not isinstance(data, Mapping):
            return [Flaw(path, 1, 1, "this is no list of keys; see the published schema.")]
        if kind is None and (
            path.name == PROCEDURES or "name" in data or "ignition" in data or not ({"steps", "repairs"} & data.keys())
        ):
            return self.examine(path)[1]
        if kind is None:
            part = fit(path, data, Part, known=self.known)
            return part if isinstance(part, list) else list(self._lost_names(path, data, part))
        model, key = kind
        flaws: list[Flaw] = []
        for name, body in data.items():
            also = {key: str(name)} if key else {}
            for each in body if isinstance(body, list) and model is GenericLimit else [body]:
                if not isinstance(each, Mapping):
                    flaws.append(Flaw(path, *_place(data, (name,)), f"{name}: this is no list of keys."))
                    continue
                entry = fit(path, each, model, (str(name),), self.known, **also)
                if isinstance(entry, list):
                    flaws += entry
                elif isinstance(entry, GenericLimit):
                    flaws += [Flaw(path, *_place(data, (name,)), says) for says in self._unfit(entry)]
        return flaws

    def _unfit(self, limit: GenericLimit) -> Iterator[str]:
        quantity, finding = self.quantities.get(limit.quantity), FINDINGS.get(limit.quantity)
        unit = quantity.unit if quantity else finding.unit if finding else ""
        if not unit:
            yield f"{limit.quantity!r} is not a known quantity and no finding."
        elif unit != limit.unit:
            yield f"{limit.quantity}: the limit is in {limit.unit}, and what it is for in {unit}."
        if says := _forbids_less(limit, _shipped_forbids().get(limit.quantity, ())):
            yield says

    def _lost_names(self, path: Path, data: Any, part: Part) -> Iterator[Flaw]:
        """What a part names that is not there; the order of its steps is checked where a procedure includes it."""
        for at, step in enumerate(part.steps):
            if isinstance(step, Include):
                if step.include not in self.parts:
                    yield Flaw(path, *_place(data, ("steps", at)), f"there is no part {step.include!r}.")
                continue
            for key, names, known in (
                ("quantity", step.quantities, self.quantities),
                ("hazards", step.hazards, self.hazards),
                ("works_out", step.works_out, FINDINGS),
            ):
                for name in names:
                    if name not in known:
                        place = _place(data, ("steps", at, "times" if key == "quantity" and step.times else key))
                        yield Flaw(path, *place, f"the step {step.id!r} names {name!r}, which is not known.")

    def examine(self, path: Path) -> tuple[list[Procedure], list[Flaw]]:
        """The procedures of a file or a table that can be read, with their parts put in, and all that is wrong with
        them; of a table also whose it is."""
        data = read_yaml(path)
        own = _systems_in(path)
        known = {**self.known, **{name: each.like for name, each in own.items()}}
        is_table = path.name == PROCEDURES and "name" not in data
        model: type[Part] = ProcedureTable if is_table else WrittenProcedure
        fitted = fit(path, data, model, known=known)
        if isinstance(fitted, list):
            return [], fitted
        every = fitted.procedures() if isinstance(fitted, ProcedureTable) else (fitted,)
        procedures: list[Procedure] = []
        names: dict[Flaw, list[str]] = {}
        for written in every:
            assert isinstance(written, WrittenProcedure)
            procedure, flaws = self._put_together(path, data, written, own)
            procedures += [procedure] if procedure else []
            for flaw in flaws:
                names.setdefault(flaw, []).append(written.name)
        if not is_table:
            return procedures, list(names)
        return procedures, [replace(flaw, says=f"{flaw.says} ({_of(whose)})") for flaw, whose in names.items()]

    def _put_together(
        self, path: Path, data: Any, written: WrittenProcedure, own: Mapping[Ignition, System]
    ) -> tuple[Procedure | None, list[Flaw]]:
        """As `examine`, of what is written in the file `path`, whose content is `data`. own: the systems in it."""
        whole = assemble(written, {name: file.part for name, file in self.parts.items()})

        def flaw(place: Place, says: str) -> Flaw:
            part, keys = place
            file, marks = (self.parts[part].path, self.parts[part].data) if part else (path, data)
            return Flaw(file, *_place(marks, keys), says)

        if whole.problems:
            return None, [flaw(place, says) for place, says in whole.problems]
        systems = {**own, **self.systems}
        head = written.model_dump(include={"name", "title", "ignition", "fuel", "visit", "order"})
        head |= {"must_prove": systems[written.ignition].proves, "shut_down": whole.shut_down}
        procedure = fit(path, {**head, "steps": whole.steps, "repairs": whole.repairs}, Procedure)
        if isinstance(procedure, list):
            return None, procedure
        limits = self.limits_for(procedure.fuel, procedure.ignition, procedure.visit)
        wrongs = check(procedure, self.quantities, self.hazards, FINDINGS, limits)
        return procedure, [flaw(whole.place(wrong.at), wrong.says) for wrong in wrongs]

    @cached_property
    def faults(self) -> Faults:
        """The table of faults."""
        path = TRADE_DATA / "faults.yaml"
        return parse(path, read_yaml(path), Faults, known=self.known)

    @cached_property
    def set_up(self) -> tuple[Asked, ...]:
        """What the set-up by voice asks, in order."""
        path = TRADE_DATA / "set_up.yaml"
        data = read_yaml(path)
        return tuple(parse(path, each, Asked, (str(at),)) for at, each in enumerate(data))

    @cached_property
    def grammar_texts(self) -> dict[str, str]:
        """The grammar files, by name."""
        return read_grammar_texts(top_folder("grammars"))

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

    def rules_for(self, job: Job, history: History | None = None) -> Rules:
        """What a visit for this job is worked by; history: of the appliance, where it is known."""
        limits = self.limits_for(job.appliance.fuel, job.appliance.ignition, job.visit)
        procedure = self.procedure_for(job)
        return Rules(
            procedure, self.quantities, limits, self.hazards, job, history or History(), self.faults, self.risks
        )

    def _procedure(self, *wanted: str) -> Procedure | None:
        """That for an ignition system, a fuel and a kind of visit; the shop's own before one that is shipped."""
        found = (p for p in reversed(self.procedures.values()) if (p.ignition, p.fuel, p.visit) == wanted)
        return next(found, None)

    def worked(self, ignition: str, fuel: str, visit: str) -> tuple[Procedure, dict[str, GenericLimit]] | None:
        """The procedure and the generic limits for these; None where there is no procedure."""
        procedure = self._procedure(ignition, fuel, visit)
        if procedure is None:
            return None
        return procedure, self.limits_for(procedure.fuel, procedure.ignition, procedure.visit)

    def procedure_for(self, job: Job) -> Procedure:
        """The procedure for a job; Problem when there is none."""
        wanted = (job.appliance.ignition, job.appliance.fuel, job.visit)
        if procedure := self._procedure(*wanted):
            return procedure
        have = "; ".join(p.title for p in self.procedures.values())
        raise Problem(f"There is no procedure for {', '.join(wanted)}; there is: {have}.")


_LIBRARY = [Library()]


def library() -> Library:
    """The data files in use."""
    return _LIBRARY[0]


def use_shop(folder: Path | None) -> None:
    """Lets a shop's folder add to and replace the shipped data files from now on; Problem when it is not there."""
    if folder is not None and not folder.is_dir():
        raise Problem(f"{folder} is not a folder; give the shop's folder, or leave it out.")
    _LIBRARY[0] = Library(folder)
