"""The data files of the project and of a shop, put together and checked; and job files."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from decimal import Decimal
from functools import cache, cached_property
from hashlib import sha256
from itertools import chain
from pathlib import Path
from typing import Any

from pydantic import BaseModel, ValidationError

from assistant.dialogue.state import Rules
from assistant.errors import Problem
from assistant.language.jsgf import Grammar, read_grammars
from assistant.language.meaning import Question
from assistant.language.phrases import Expected, phrases
from assistant.language.utterance import Language
from assistant.places import cached, top_folder
from assistant.trade import units
from assistant.trade.checking import check
from assistant.trade.computations import FINDINGS
from assistant.trade.faults import Faults
from assistant.trade.history import History
from assistant.trade.job import Fuel, Ignition, Job, Meter, PlateValue, VisitKind
from assistant.trade.judging import Forbids
from assistant.trade.limits import GenericLimit
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
from assistant.trade.set_up import Asked, Figure
from assistant.trade.units import UNIT_SYMBOL, UNITS, convert, same_dimension
from assistant.yaml_files import Flaw, Loc, M, Systems, fit, parse, read_yaml, unfit

TRADE_DATA = Path(__file__).parent / "trade" / "data"
PROCEDURES = "procedures.yaml"
"""The table of procedures in a folder of data files."""
SHIPPED_LIMITS = TRADE_DATA / "limits.yaml"


def read_job(path: Path) -> Job:
    """A job file; Problem with one sentence for the first thing that is wrong in it."""
    data, wrong = _examined(path)
    if wrong:
        raise Problem(str(wrong[0][1]))
    return Job.model_validate(data, context=library().known)


def read_draft(path: Path) -> dict[str, Any]:
    """A job file that may leave things out, as plain values; Problem with one sentence for what is in it and wrong."""
    data, wrong = _examined(path)
    if wrong := [each for each in wrong if each[0] != "missing"]:
        raise Problem(str(wrong[0][1]))
    return data


def flaws_in_job(path: Path, draft: bool = False) -> list[Flaw]:
    """All that keeps a job file from being one for a visit; Problem where it cannot be read. draft: it may leave things
    out."""
    data, wrong = _examined(path)
    found = [flaw for kind, flaw in wrong if not (draft and kind == "missing")]
    if isinstance(data, dict) and data.get("invented", False) is not False:
        says = "invented: only the jobs of the demo say this; take the line out."
        found.append(Flaw.at(path, ("invented",), says))
    if not wrong:
        try:
            library().procedure_for(Job.model_validate(data))
        except Problem as problem:
            found.append(Flaw.at(path, ("appliance",), str(problem)))
    return found


def _examined(path: Path) -> tuple[dict[str, Any], list[tuple[str, Flaw]]]:
    """A job file as plain values, and what is wrong in it, each with pydantic's name for it or "value"."""
    data = read_yaml(path)
    written, wrong = _filled_in(data), []
    try:
        Job.model_validate(written, context=library().known)
    except ValidationError as error:
        wrong = list(unfit(path, error))
    if isinstance(data, dict):
        wrong += [("value", Flaw.at(path, loc, says)) for loc, says in _misfits(written)]
    return written, wrong


def _filled_in(job: Any) -> Any:
    """A job file without the keys that were left blank, as in a new one."""
    if not isinstance(job, dict):
        return job
    inside = {key: job[key] for key in ("appliance", "technician", "helper") if isinstance(job.get(key), dict)}
    inside = {key: {k: v for k, v in of.items() if v is not None} for key, of in inside.items()}
    return {key: value for key, value in {**job, **inside}.items() if value is not None}


def _misfits(job: Mapping[str, Any]) -> Iterator[tuple[tuple[str | int, ...], str]]:
    """What of a job's values is of another kind than what it is for, or cannot be: its keys, and a sentence."""
    for name, body in _mapping(job.get("plate")).items():
        loc = ("plate", name)
        if not (of := _measured(name)):
            yield loc, _no_quantity(name)
        elif plate := _fitting(PlateValue, body):
            if not same_dimension(plate.unit, of.unit):
                yield (*loc, "unit"), _of_another_kind(plate.unit, name, of.unit)
                continue
            for key in ("value", "low", "high"):
                if (value := getattr(plate, key)) is not None:
                    yield from _beyond((*loc, key), convert(value, plate.unit, of.unit), of)
    for name, last in _mapping(job.get("previous")).items():
        if not (of := _measured(name)):
            yield ("previous", name), _no_quantity(name)
        elif isinstance(last, Decimal | int):
            yield from _beyond(("previous", name), Decimal(last), of)
    for asked in library().set_up:
        value = _mapping(job.get("gas")).get(asked.path[-1]) if asked.path[0] == "gas" else None
        if isinstance(value, Decimal | int) and asked.figure:
            yield from _beyond(asked.path, Decimal(value), asked.figure)
    for at, body in enumerate(meters if isinstance(meters := job.get("meters"), list) else ()):
        if not (meter := _fitting(Meter, body)):
            continue
        for nth, name in enumerate(meter.measures):
            unit, of = meter.accuracy and meter.accuracy.unit, _measured(name)
            if not of:
                yield ("meters", at, "measures", nth), _no_quantity(name)
            elif unit and not same_dimension(unit, of.unit):
                yield ("meters", at, "accuracy", "unit"), _of_another_kind(unit, name, of.unit)
        if meter.low is not None and meter.high is not None and meter.low > meter.high:
            yield ("meters", at, "low"), "low is above high."
        if meter.lead_zero < 0:
            yield ("meters", at, "lead_zero"), "lead_zero is below zero."


def _mapping(value: Any) -> Mapping[str, Any]:
    return value if isinstance(value, Mapping) else {}


def _fitting(model: type[M], body: Any) -> M | None:
    """What is written as the model; None where it does not fit, which is told with the rest that does not."""
    try:
        return model.model_validate(body)
    except ValidationError:
        return None


def _measured(name: str) -> Quantity | Figure | None:
    """What a job file may give a value for: its unit and what it may be; None where there is no such thing."""
    if name in library().quantities:
        return library().quantities[name]
    asked = next((each for each in library().set_up if each.path == ("plate", name)), None)
    if asked or name not in library().limits:
        return asked.figure if asked else None
    return Figure(low=Decimal("-Infinity"), high=Decimal("Infinity"), unit=library().limits[name][0].unit)


def _of_another_kind(unit: str, name: str, own: str) -> str:
    return f"{unit} is {UNITS[unit].measures}, and {name} is {UNITS[own].measures}, as in {own}."


def _no_quantity(name: str) -> str:
    return f"{name!r}, which is not a quantity, is named here; see: assistant understand --questions"


def _beyond(loc: tuple[str | int, ...], value: Decimal, of: Quantity | Figure) -> Iterator[tuple[Any, str]]:
    if not of.low <= value <= of.high:
        unit = f" {UNIT_SYMBOL[of.unit]}".rstrip()
        says = f"{value.normalize():f}{unit} cannot be; it is from {of.low:f} to {of.high:f}{unit}"
        yield loc, f"{'.'.join(map(str, loc[-2:]))}: {says}."


def _read(path: Path) -> Any:
    """A data file; what is shipped is kept read, for it does not change."""
    return read_yaml(path, keep=path.is_relative_to(TRADE_DATA))


def read_grammar_texts(folder: Path) -> dict[str, str]:
    """The grammar files of a folder, by name; Problem when there are none."""
    texts = {path.name: path.read_text(encoding="utf-8") for path in sorted(folder.glob("*.jsgf"))}
    if not texts:
        raise Problem(f"{folder} holds no grammars (*.jsgf); name a folder that does.")
    return texts


def read_limits(path: Path, job: Job) -> dict[str, GenericLimit]:
    """The generic limits of a file that hold for a job; Problem with one sentence for what does not fit."""
    appliance = job.appliance
    data = _read(path)
    if not isinstance(data, dict):
        raise Problem(f"{Flaw(path, 1, 1, 'this is no list of keys')}; give a file like {SHIPPED_LIMITS.name}.")
    entries = {str(name): (path, body) for name, body in data.items()}
    return _holding(_limits(entries, library().known), appliance.fuel, appliance.ignition, job.visit)


def _limits(entries: Mapping[str, tuple[Path, Any]], known: Systems) -> dict[str, tuple[GenericLimit, ...]]:
    """Limits by name. One that takes the place of a shipped one forbids what that one forbids, and may forbid more;
    Problem where it says that it forbids less."""
    return {
        name: tuple(
            _forbidding(path, within, parse(path, each, GenericLimit, within, known, quantity=name))
            for within, each in _each(name, body)
        )
        for name, (path, body) in entries.items()
    }


@cache
def _shipped_forbids() -> dict[str, tuple[Forbids, ...]]:
    """What the shipped limits forbid, by name."""
    limits = Library().limits
    return {name: tuple(limit.forbids for limit in each if limit.forbids) for name, each in limits.items()}


def _each(name: str, body: Any) -> list[tuple[Loc, Any]]:
    """The limits for one thing, which may be several, each with the keys that lead to it."""
    return [((name, at), each) for at, each in enumerate(body)] if isinstance(body, list) else [((name,), body)]


def _forbidding(path: Path, within: Loc, limit: GenericLimit) -> GenericLimit:
    shipped = () if path == SHIPPED_LIMITS else _shipped_forbids().get(limit.quantity, ())
    if says := _forbids_less(limit, shipped):
        raise Problem(str(Flaw.at(path, (), says, within)))
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


def _flaws_of(fitted: Any) -> list[Flaw]:
    """What is wrong, of what `fit` gives."""
    return fitted if isinstance(fitted, list) else []


def _of(names: Sequence[str]) -> str:
    return names[0] if len(names) == 1 else f"{names[0]} and {len(names) - 1} more"


def _systems_in(path: Path) -> dict[Ignition, System]:
    """The ignition systems of a table of procedures that fit; what does not is told when the table is read."""
    data = _read(path) if path.exists() else {}
    written = data.get("ignition") if isinstance(data, Mapping) else None
    fitted = {name: fit(path, body, System) for name, body in written.items()} if isinstance(written, Mapping) else {}
    return {str(name): system for name, system in fitted.items() if isinstance(system, System)}


_ENTRIES: dict[str, tuple[type[BaseModel], str]] = {
    "limits.yaml": (GenericLimit, "quantity"),
    "hazards.yaml": (Hazard, ""),
    "quantities.yaml": (Quantity, "name"),
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
        return {key: (path, body) for path in files for key, body in _read(path).items()}

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
    def parts(self) -> dict[str, tuple[Path, Part]]:
        """The files of steps that procedures include, by name: where each lies, and what is in it."""
        files = {path.stem: path for folder in self.folders for path in sorted((folder / "parts").glob("*.yaml"))}
        return {name: (path, parse(path, _read(path), Part, known=self.known)) for name, path in files.items()}

    @cached_property
    def procedures(self) -> dict[str, Procedure]:
        """The procedures, by name."""
        return {procedure.name: procedure for procedure in self.read_procedures(TRADE_DATA / PROCEDURES)} | self._own

    @cached_property
    def _own(self) -> dict[str, Procedure]:
        """The shop's own procedures, by name."""
        folder = self.shop
        files = [*folder.glob(PROCEDURES), *sorted((folder / "procedures").glob("*.yaml"))] if folder else []
        return {procedure.name: procedure for path in files for procedure in self.read_procedures(path)}

    @cached_property
    def _asked_for(self) -> dict[tuple[str, ...], Procedure | None]:
        """The procedures that were asked for, by what they are for."""
        return {}

    def read_procedures(self, path: Path, *wanted: str) -> list[Procedure]:
        """The procedures of a file or a table, checked; Problem with one sentence for the first thing that is wrong.

        wanted: as in `examine`.
        """
        procedures, flaws = self.examine(path, *wanted)
        if flaws:
            raise Problem(str(flaws[0]))
        return procedures

    def flaws_in(self, path: Path) -> list[Flaw]:
        """All that is wrong in a data file: a procedure, the table of procedures, a part, the table of faults, or a
        file of limits, hazards or quantities.

        Which it is follows from its name (limits.yaml), else from its keys: a procedure has a name.
        """
        data = _read(path)
        kind = _ENTRIES.get(path.name)
        if path.name == "faults.yaml":
            return _flaws_of(fit(path, data, Faults, known=self.known))
        if path.name == "set_up.yaml" and isinstance(data, list):
            return [flaw for at, each in enumerate(data) for flaw in _flaws_of(fit(path, each, Asked, (at,)))]
        if not isinstance(data, Mapping):
            return [Flaw(path, 1, 1, "this is no list of keys; see the published schema.")]
        if kind is None and (
            path.name == PROCEDURES or "name" in data or "ignition" in data or not ({"steps", "repairs"} & data.keys())
        ):
            return self.examine(path)[1]
        if kind is None:
            part = fit(path, data, Part, known=self.known)
            return part if isinstance(part, list) else list(self._lost_names(path, part))
        model, key = kind
        flaws: list[Flaw] = []
        for name, body in data.items():
            also = {key: name} if key else {}
            for within, each in _each(name, body) if model is GenericLimit else [((name,), body)]:
                if not isinstance(each, Mapping):
                    flaws.append(Flaw.at(path, (name,), f"{name}: this is no list of keys."))
                    continue
                entry = fit(path, each, model, within, self.known, **also)
                if isinstance(entry, list):
                    flaws += entry
                elif isinstance(entry, GenericLimit):
                    flaws += [Flaw.at(path, (name,), says) for says in self._unfit(entry)]
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

    def _lost_names(self, path: Path, part: Part) -> Iterator[Flaw]:
        """What a part names that is not there; the order of its steps is checked where a procedure includes it."""
        for at, step in enumerate(part.steps):
            if isinstance(step, Include):
                if step.include not in self.parts:
                    yield Flaw.at(path, ("steps", at), f"there is no part {step.include!r}.")
                continue
            for key, names, known in (
                ("quantity", step.quantities, self.quantities),
                ("hazards", step.hazards, self.hazards),
                ("works_out", step.works_out, FINDINGS),
            ):
                for name in names:
                    if name not in known:
                        place = ("steps", at, "times" if key == "quantity" and step.times else key)
                        yield Flaw.at(path, place, f"the step {step.id!r} names {name!r}, which is not known.")

    def examine(self, path: Path, *wanted: str) -> tuple[list[Procedure], list[Flaw]]:
        """The procedures of a file or a table that can be read, with their parts put in, and all that is wrong with
        them; of a table also whose it is. wanted: only those for this ignition system, fuel and kind of visit."""
        data = _read(path)
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
            if wanted and wanted != (written.ignition, written.fuel, written.visit):
                continue
            procedure, flaws = self._put_together(path, written, own)
            procedures += [procedure] if procedure else []
            for flaw in flaws:
                names.setdefault(flaw, []).append(written.name)
        if not is_table:
            return procedures, list(names)
        return procedures, [replace(flaw, says=f"{flaw.says} ({_of(whose)})") for flaw, whose in names.items()]

    def _put_together(
        self, path: Path, written: WrittenProcedure, own: Mapping[Ignition, System]
    ) -> tuple[Procedure | None, list[Flaw]]:
        """As `examine`, of what is written in the file `path`. own: the systems in it."""
        whole = assemble(written, {name: part for name, (_, part) in self.parts.items()})

        def flaw(place: Place, says: str) -> Flaw:
            part, keys = place
            return Flaw.at(self.parts[part][0] if part else path, keys, says)

        if whole.problems:
            return None, [flaw(place, says) for place, says in whole.problems]
        systems = {**own, **self.systems}
        head = written.model_dump(include={"name", "title", "ignition", "fuel", "visit", "order"})
        head |= {
            "must_prove": systems[written.ignition].proves,
            "shut_down": whole.shut_down,
            "shut_off": whole.shut_off,
        }
        procedure = fit(path, {**head, "steps": whole.steps, "repairs": whole.repairs}, Procedure, None)
        if isinstance(procedure, list):
            return None, procedure
        limits = self.limits_for(procedure.fuel, procedure.ignition, procedure.visit)
        wrongs = check(procedure, self.quantities, self.hazards, FINDINGS, limits)
        return procedure, [flaw(whole.place(wrong.at), wrong.says) for wrong in wrongs]

    @cached_property
    def faults(self) -> Faults:
        """The table of faults."""
        path = TRADE_DATA / "faults.yaml"
        return parse(path, _read(path), Faults, known=self.known)

    @cached_property
    def set_up(self) -> tuple[Asked, ...]:
        """What the set-up by voice asks, in order."""
        path = TRADE_DATA / "set_up.yaml"
        data = _read(path)
        return tuple(parse(path, each, Asked, (at,)) for at, each in enumerate(data))

    @cached_property
    def grammar_texts(self) -> dict[str, str]:
        """The grammar files, by name."""
        return read_grammar_texts(top_folder("grammars"))

    @cached_property
    def grammar(self) -> Grammar:
        """The grammars, read together."""
        return read_grammars(self.grammar_texts)

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
        """That for an ignition system, a fuel and a kind of visit; the shop's own before one that is shipped.

        Of those that are shipped only it is put together and checked: all of them take half a second.
        """
        if wanted not in self._asked_for:
            own = (p for p in reversed(self._own.values()) if (p.ignition, p.fuel, p.visit) == wanted)
            shipped = (p for p in self.read_procedures(TRADE_DATA / PROCEDURES, *wanted) if p.name not in self._own)
            self._asked_for[wanted] = next(chain(own, shipped), None)
        return self._asked_for[wanted]

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


def use_shop(folder: Path | None, check: bool = True) -> None:
    """Lets a shop's folder add to and replace the shipped data files from now on.

    Raises Problem when it is not there, holds none of a shop's files, or what is in its tables is wrong; its procedures
    are checked when one is needed. check: its tables are looked through.
    """
    if folder is not None and not folder.is_dir():
        raise Problem(f"{folder} is not a folder; give the shop's folder, or leave it out.")
    shop = Library(folder)
    if folder is not None:
        names = ("procedures", "parts", PROCEDURES, *_ENTRIES)
        if not any((folder / name).exists() for name in names):
            raise Problem(f"{folder} holds none of a shop's files ({', '.join(names)}); give the shop's folder.")
        for name in _ENTRIES if check else ():
            if flaws := shop.flaws_in(folder / name) if (folder / name).exists() else ():
                raise Problem(str(flaws[0]))
    _LIBRARY[0] = shop


def expected(language: Language, question: Question) -> Expected:
    """What a recognizer is told of a question; the phrases are kept in the user's cache, for drawing them takes half
    a second."""
    return Expected(language, question, _kept_phrases)


def _kept_phrases(language: Language, question: Question) -> list[str]:
    source = f"{_language_code()} {language!r} {question!r}"
    found: list[str] = cached("phrases", source, lambda: phrases(language, question))
    return found


@cache
def _language_code() -> str:
    """What draws the phrases: with other code they may be others."""
    code = [*sorted(Path(phrases.__code__.co_filename).parent.glob("*.py")), Path(units.__file__)]
    return sha256(b"".join(path.read_bytes() for path in code)).hexdigest()
