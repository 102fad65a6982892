"""The documents that are made from the data: `python tests/documents.py`, which is `make docs`.

With --check nothing is written, and the exit status is 1 when one is out of date; `make check` does that.
"""

from __future__ import annotations

import inspect
import json
import re
import sys
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from decimal import Decimal
from functools import partial
from itertools import product
from pathlib import Path
from typing import Any, Literal, get_args, get_origin

from diagram import dialogue_page
from pydantic import BaseModel
from pydantic.json_schema import models_json_schema
from what_can_be_said import what_can_be_said

from assistant.cli.job import filled_in
from assistant.files import Library, library
from assistant.record.story import printed
from assistant.review.report import words
from assistant.trade import procedures
from assistant.trade.computation import Computation, Input
from assistant.trade.computations import COMPUTATIONS, FINDINGS, work_out
from assistant.trade.job import SAID_FOR, Appliance, Fuel, Gas, Ignition, Meter, Person, PlateValue, VisitKind
from assistant.trade.job import Job as JobFile
from assistant.trade.judging import Bound, MeterAccuracy, Source
from assistant.trade.limits import GenericLimit
from assistant.trade.model import Data
from assistant.trade.procedures import Part, Procedure, ProcedureTable, Step, Wait, WrittenProcedure
from assistant.trade.quantities import Quantity
from assistant.trade.units import UNIT_SYMBOL, UNITS
from assistant.yaml_files import read_yaml

# --- docs/limits.md


def check_values() -> dict[str, dict[str, str]]:
    """Figures of common practice to look things up by, by name; the product holds none, so no reading is judged by
    them. about: what it is of. says: the figure. but: what must be known beside it."""
    values: dict[str, dict[str, str]] = read_yaml(Path(__file__).parent / "check_values.yaml")
    return values


def limits_table(shelf: Library) -> str:
    """docs/limits.md: every limit and check value with its source, and the procedures; Markdown, to be printed."""
    lines = [
        "# Limits and their sources",
        "",
        "Made from the data files in `assistant/trade/data/` by `make docs`;",
        "`make check` fails when this file is out of date.",
        "",
        "A value of the rating plate or the maker's sheet in the job file comes before any of these, then the code in",
        "force, then the gas supplier's figures. What is here is the generic limit, and is spoken as one.",
        "",
        "- Outside a limit the verdict is fail. A value equal to a bound is within it, but where it says *below*.",
        "- *Watch*: within the limit, with the verdict caution.",
        '- *Needs the value of the plate or sheet*: without it the verdict is "cannot judge".',
        "- *Safety limit*: a reading inside it by less than the meter's uncertainty is not accepted",
        "  (ILAC-G8:09/2019, 4.2.3).",
        "- *Forbids*: what a reading that does not meet the limit closes the way to, until its cause is mended and it",
        "  is read again (common practice).",
        "",
        *_table(
            ("quantity", "limit", "authority", "source", "holds"),
            (_limit_row(shelf, limit) for limits in shelf.limits.values() for limit in limits),
        ),
        "",
        "## Check values",
        "",
        "Figures that the trade passes on. All are common practice, without a source. None ever judges a reading.",
        "",
        *_table(
            ("of", "said in the trade", "but"),
            ((value["about"], value["says"], value["but"]) for value in check_values().values()),
        ),
        "",
        "## Waits",
        "",
        "A step waits until this has gone on since another step was left; an answer before that is taken, and noted.",
        "",
        *_table(
            ("step", "seconds", "since", "source"),
            dict.fromkeys(
                (printed(step.title), f"{step.wait.seconds}", _since(p, step.wait), _source(step.wait.source))
                for p in shelf.procedures.values()
                for step in p.steps
                if step.wait
            ),
        ),
        "",
        "## Procedures",
        "",
        "Their steps are in [procedures/](procedures/), a page for each ignition system.",
        "",
        *_table(
            ("procedure", "steps", "repairs"),
            ((p.title, f"{len(p.steps)}", f"{len(p.repairs)}") for p in shelf.procedures.values()),
        ),
    ]
    return "\n".join(lines) + "\n"


def _table(head: Sequence[str], rows: Iterable[Sequence[str]]) -> list[str]:
    """A table; Markdown, a line each."""
    marks = ["---"] * len(head)
    return [f"| {' | '.join(cells)} |" for cells in (head, marks, *rows)]


def _limit_row(shelf: Library, limit: GenericLimit) -> tuple[str, ...]:
    for_whom: tuple[str, ...] = (*limit.only.fuel, *limit.only.ignition, *limit.only.visit)
    if not for_whom and len(shelf.limits[limit.quantity]) > 1:
        for_whom = ("all others",)
    return (
        ", ".join((_name(shelf, limit.quantity), *for_whom)),
        _limit(limit),
        words.AUTHORITIES[limit.authority],
        _source(limit.source),
        limit.condition,
    )


def _name(shelf: Library, quantity: str) -> str:
    """How a quantity or a finding is called."""
    return printed((shelf.quantities.get(quantity) or FINDINGS[quantity]).spoken)


def _limit(limit: GenericLimit) -> str:
    """What a limit asks for, without its source."""
    says = [words.bounds(limit)]
    if limit.open_fails:
        says.append("open fails")
    if limit.caution_means:
        says[0] += f" ({limit.caution_means})"
    if limit.emergency_from is not None:
        says.append(f"everybody leaves from {limit.emergency_from:f} {UNIT_SYMBOL[limit.unit]} ({limit.emergency})")
    kinds = {
        "safety limit": limit.guarded,
        "the bound itself divides": limit.simple,
        "a plate value counts only where it is stricter": limit.plate_tightens,
        "judged without its sign": limit.strength == "magnitude",
        "judged as suction": limit.strength == "suction",
        "a value at a bound is outside": limit.exclusive is True,
    }
    says += [kind for kind, holds in kinds.items() if holds]
    if isinstance(limit.exclusive, tuple):
        says.append(f"a value at {' and '.join(map(_bound_name, limit.exclusive))} is outside")
    if limit.plate_percent is not None:
        says.append(f"watch more than {limit.plate_percent:f} % below the plate")
    if limit.forbids:
        says.append(f"forbids {_forbidden(limit)}")
    return "; ".join(says)


def _bound_name(bound: Bound) -> str:
    """The name of a bound, as the table has it."""
    side = "below" if bound.endswith("low") else "above"
    return f"{'watch' if bound.startswith('caution') else 'fail'} {side}"


def _forbidden(limit: GenericLimit) -> str:
    rule = limit.forbids
    if rule is None:
        return ""
    ends = ((bound, word) for bound, word in ((rule.below, "below"), (rule.above, "above")) if bound is not None)
    where = " or ".join(f"{word} {bound:f} {UNIT_SYMBOL[limit.unit]}" for bound, word in ends)
    return ", ".join(rule.acts) + (f" ({where})" if where else "")


def _source(source: Source) -> str:
    return ": ".join(filter(None, (source.mark, source.text)))


def _since(procedure: Procedure, wait: Wait) -> str:
    return ", ".join(printed(procedure.step(step).title) for step in wait.since)


# --- docs/procedures/: a page for each ignition system, to be printed

Job = tuple[Fuel, VisitKind]
"""What a procedure of one ignition system is for."""


@dataclass(frozen=True)
class Line:
    """A step on a page. jobs: for what it is the same there."""

    number: int
    step: Step
    jobs: tuple[Job, ...]


@dataclass(frozen=True)
class Page:
    """The steps of the procedures of one ignition system, each once.

    plain: those of a visit on which nothing is found wrong, in order. side: those that only another step leads to.
    """

    shelf: Library
    ignition: Ignition
    procedures: Mapping[Job, Procedure]
    plain: tuple[Line, ...]
    side: tuple[Line, ...]

    @classmethod
    def of(cls, shelf: Library, ignition: Ignition) -> Page:
        """The page of an ignition system."""
        every = {(p.fuel, p.visit): p for p in shelf.procedures.values() if p.ignition == ignition}
        by_job = {job: every[job] for job in product(get_args(Fuel), get_args(VisitKind)) if job in every}
        written = {job: {step.model_dump_json(): step for step in p.steps} for job, p in by_job.items()}
        steps = {key: step for of_job in written.values() for key, step in of_job.items()}
        jobs = {key: tuple(job for job, of_job in written.items() if key in of_job) for key in steps}
        on_the_way = {job: _plain(p) for job, p in by_job.items()}
        order = _merged([list(of_job) for of_job in written.values()])
        plain = [key for key in order if any(steps[key].id in on_the_way[job] for job in jobs[key])]
        side = [key for key in order if key not in plain]
        lines = tuple(Line(number, steps[key], jobs[key]) for number, key in enumerate((*plain, *side), 1))
        return cls(shelf, ignition, by_job, lines[: len(plain)], lines[len(plain) :])

    def number(self, job: Job, step: str) -> int:
        """The number of a step of one job's procedure."""
        return next(line.number for line in (*self.plain, *self.side) if line.step.id == step and job in line.jobs)

    def after(self, line: Line, job: Job) -> int | None:
        """The number of the line that is next on the page for a job; None after the last."""
        later = (*self.plain, *self.side)[line.number :]
        return next((each.number for each in later if job in each.jobs), None)


def _merged(lists: Sequence[Sequence[str]]) -> list[str]:
    """Each name once, in an order that all the lists keep to."""
    merged: list[str] = []
    left = [list(names) for names in lists]
    while left := [names for names in left if names]:
        # The first of a list that no other list has further on; there is one where the lists do not contradict.
        first = next(names[0] for names in left if not any(names[0] in others[1:] for others in left))
        merged.append(first)
        left = [names[1:] if names[0] == first else names for names in left]
    return merged


def _plain(procedure: Procedure) -> set[str]:
    """The ids of the steps of a visit on which nothing is found wrong, those that may be left out among them."""
    way: set[str] = set()
    at = procedure.steps[0].id
    while at != procedures.END and at not in way:
        way.add(at)
        at = procedure.after(procedure.step(at), procedure.step(at).good)
    return way


def procedure_page(shelf: Library, ignition: Ignition) -> str:
    """docs/procedures/IGNITION.md: the steps of every visit to an ignition system, as a technician would print them.

    Markdown.
    """
    page = Page.of(shelf, ignition)
    fuels, visits = (dict.fromkeys(kinds) for kinds in zip(*page.procedures, strict=True))
    names = dict.fromkeys(name for line in (*page.plain, *page.side) for name in line.step.hazards)
    hazards = [shelf.hazards[name] for name in names]
    lines = [
        f"# {words.sentence(ignition)}: the steps of a visit",
        "",
        f"What the assistant asks at a furnace with {ignition} ignition, on {_listed(fuels)}, on these visits:",
        f"{_listed(visits)}. Made from the data files by `make docs`.",
        "",
        "**The maker's instructions and the local code come first, then the gas supplier. This page gives no",
        "permission: gas and line-voltage work belongs to licensed and qualified people. If you smell gas: touch",
        "nothing, leave, and call from outside.**",
        "",
        "- *power, gas*: the state in which the step is worked, *dead* where it is proved dead; empty is any. After",
        "  the arrow: what the step sets. *burner*: the step lights it, or it runs then.",
        "- *forbids*: what a bad answer closes the way to, until it is mended and checked again.",
        "- *limit*: the generic one, with the mark of its source; the sources are in [limits.md](../limits.md). A",
        "  value of the plate or the maker's sheet comes before it. *Watch*: within it, with the verdict caution.",
        "  *Safety limit*: a reading inside it by less than the meter's uncertainty is not accepted.",
        "- *only*: for which fuel, visit or appliance the step is; empty is all. *If it tells*: only where it tells",
        "  something of the fault; such checks may come in another order, what tells most first.",
        "- *leads to*: the number of the step that follows an answer or a verdict, where it is not the next one here.",
        "",
        "## The steps",
        "",
        *_table(tuple(COLUMNS), (_cells(page, line) for line in page.plain)),
        "",
        "## Steps that only another step leads to",
        "",
        *_table(tuple(COLUMNS), (_cells(page, line) for line in page.side)),
        "",
        "## Hazards",
        "",
        'Voiced before the step; a danger waits for "understood".',
        "",
        *_table(
            ("level", "what is said", "source"),
            ((hazard.level, printed(hazard.say), _source(hazard.source)) for hazard in hazards),
        ),
    ]
    return "\n".join(lines) + "\n"


@dataclass(frozen=True)
class Row:
    """A line where it stands: what a column is made from."""

    page: Page
    line: Line


def _cells(page: Page, line: Line) -> list[str]:
    return [cell(Row(page, line)) for cell in COLUMNS.values()]


def _step(row: Row) -> str:
    step = row.line.step
    waits = ""
    if step.wait:
        numbers = dict.fromkeys(row.page.number(job, since) for since in step.wait.since for job in row.line.jobs)
        waits = f"<br>*Waits {step.wait.seconds} s since {' or '.join(map(str, numbers))}.*"
    return f"**{printed(step.title)}**<br>{printed(step.say)}{waits}"


def _state(what: Literal["power", "gas"]) -> Callable[[Row], str]:
    """The column of the power or the gas: as it has to be, and as the step leaves it."""

    def cell(row: Row) -> str:
        step = row.line.step
        sets = getattr(step.sets, what) if step.sets else "unknown"
        return " ".join((" or ".join(getattr(step, what)), "" if sets == "unknown" else f"→\u00a0{sets}")).strip()

    return cell


def _forbids(row: Row) -> str:
    """What the bad answer of a check forbids; of a reading its limit says it."""
    step = row.line.step
    if not step.forbids:
        return ""
    acts = f"{' or '.join(step.bad)}: no {', '.join(step.forbids)}"
    return f"{acts}; only the shut-down is left" if step.no_repair else acts


def _hazards(row: Row) -> str:
    """The hazards, each by its first sentence."""
    hazards = (row.page.shelf.hazards[name] for name in row.line.step.hazards)
    return "<br>".join(f"{hazard.level}: {printed(hazard.say).split('. ')[0].rstrip('.')}" for hazard in hazards)


def _limits(row: Row) -> str:
    """The limits of what a step measures and of what is worked out by it, each with the mark of its source."""
    quantities = (*row.line.step.quantities, *row.line.step.works_out)
    return "<br>".join(
        ": ".join(filter(None, (", ".join(filter(None, (name, for_whom))), says)))
        for quantity in quantities
        for name in [_name(row.page.shelf, quantity) if len(quantities) > 1 else ""]
        for for_whom, says in _limits_of(row, quantity)
    )


def _limits_of(row: Row, quantity: str) -> list[tuple[str, str]]:
    """The limits of a quantity, each with whom it is for: empty where it is the same for all that the step is for."""
    for_whom: dict[str, list[Job]] = {}
    for fuel, visit in row.line.jobs:
        limit = row.page.shelf.limits_for(fuel, row.page.ignition, visit).get(quantity)
        says = f"{_limit(limit)} ({limit.source.mark})" if limit else "no limit, noted"
        for_whom.setdefault(says, []).append((fuel, visit))
    return [(_jobs(jobs, row.line.jobs), says) for says, jobs in for_whom.items()]


def _only(row: Row) -> str:
    """For whom a step is, where it is not for all."""
    needs = row.line.step.needs
    marks = (
        _jobs(row.line.jobs, tuple(row.page.procedures)),
        "gas meter's figures known" if needs == "gas" else f"with a {needs}" if needs else "",
        "*if it tells*" if row.line.step.if_it_tells else "",
    )
    return "; ".join(filter(None, marks))


def _jobs(jobs: Sequence[Job], of: Sequence[Job]) -> str:
    """Which of some jobs these are, in the fewest words; empty where they are all."""
    (fuels, visits), (all_fuels, all_visits) = (
        [tuple(dict.fromkeys(kinds)) for kinds in zip(*some, strict=True)] for some in (jobs, of)
    )
    if len(jobs) < len(fuels) * len(visits):
        return "; ".join(f"{fuel}, {_listed([v for f, v in jobs if f == fuel])}" for fuel in fuels)
    marks = ([] if fuels == all_fuels else fuels, [] if visits == all_visits else visits)
    return ", ".join(_listed(mark) for mark in marks if mark)


def _leads_to(row: Row) -> str:
    """Where an outcome leads that does not lead to the next step on the page."""
    step = row.line.step
    named = [outcome for outcome in step.next if outcome != "then"]
    rest = ["then"] if set(step.outcomes()) - set(named) else []
    targets: dict[str, dict[str, None]] = {}
    for outcome in (*named, *rest):
        where = dict.fromkeys(place for job in row.line.jobs if (place := _place(row, job, outcome)))
        if where:
            targets.setdefault(" or ".join(where), {})[outcome.replace("-", " ")] = None
    return "<br>".join(f"{', '.join(outcomes)}: {where}" for where, outcomes in targets.items())


def _place(row: Row, job: Job, outcome: str) -> str:
    """Where an outcome leads in one job's procedure; empty where that is the next step of it on the page."""
    target = row.page.procedures[job].after(row.line.step, outcome)
    if target in _NO_STEP:
        return _NO_STEP[target]
    number = row.page.number(job, target)
    return "" if number == row.page.after(row.line, job) else f"{number}"


_NO_STEP = {procedures.END: "the visit ends", procedures.EMERGENCY: "**emergency, leave**"}


def _listed(names: Iterable[str]) -> str:
    *most, last = names
    return f"{', '.join(most)} and {last}" if most else last


COLUMNS: dict[str, Callable[[Row], str]] = {
    "no.": lambda row: f"{row.line.number}",
    "step": _step,
    "power": _state("power"),
    "gas": _state("gas"),
    "burner": lambda row: row.line.step.burner or "",
    "hazards voiced before": _hazards,
    "limit": _limits,
    "forbids": _forbids,
    "only": _only,
    "leads to": _leads_to,
}
"""The columns of a page of steps, in order: the head of each, and what is in it for a step."""


# --- grammars/units.jsgf


def units_grammar() -> str:
    """The units as people say them, from `UNITS`; JSGF."""
    said = {
        name: f"({' | '.join(dict.fromkeys((unit.one, unit.several)))})" if unit.heard is None else unit.heard
        for name, unit in UNITS.items()
    }
    heard = (words if words.endswith("}") else f"{words} {{{name}}}" for name, words in said.items() if words)
    return f"""#JSGF V1.0;
grammar units;

// Units as said, made from trade/units.py by `make docs`; the tag is the unit's name there.

<unit> = {f"{chr(10)}       | ".join(heard)};

<minutes> = <number> (minute | minutes) [[and] <below_hundred> [second | seconds]];

import <numbers.*>;
"""


# --- docs/computing.md


TOP = Path(__file__).parent.parent
COMPUTING = "docs/computing.md"
BEGIN, END = "<!-- made from computations.py by make docs -->", "<!-- end of what is made -->"


def computing(written: str) -> str:
    """docs/computing.md: the written text, with the formulas put in between its two marks; Markdown."""
    before, _, rest = written.partition(BEGIN)
    _, _, after = rest.partition(END)
    return f"{before}{BEGIN}\n\n{formulas_table()}\n{END}{after}"


def formulas_table() -> str:
    """Every formula with its keys, units, ranges, example and source; Markdown."""
    return "\n".join(line for each in COMPUTATIONS.values() for line in _formula(each))


def _formula(working: Computation) -> list[str]:
    worked = work_out(working.name, working.example)
    given = " ".join(f"'{key}={value}'" if " " in value else f"{key}={value}" for key, value in working.example.items())
    value = f"{worked.value:f}" if isinstance(worked.value, Decimal) else worked.value
    return [
        f"### {working.name}",
        "",
        f"{working.title}, in {working.printed_unit or 'a word'}.",
        "",
        "| key | unit | left out | taken |",
        "|---|---|---|---|",
        *(f"| {i.key} | {i.unit} | {_left_out(i)} | {_range(working, i)} |" for i in working.takes),
        "",
        f"`assistant work-out {working.name} {given}` gives {value} {working.printed_unit}".rstrip() + ".",
        "",
        f"Source: {working.source}.",
        *(f"Assumed: {'; '.join(working.assumptions)}." for _ in [0] if working.assumptions),
        "",
    ]


def _left_out(given: Input) -> str:
    if given.default is None:
        return ""
    return "may be left out" if given.default == "" else f"is {given.default}"


BEYOND = Decimal(10) ** 15  # beyond what any formula takes


def _range(working: Computation, given: Input) -> str:
    """What an input may be, in the words of the refusals that meet what is beyond."""
    if given.choices is not None:
        return ", ".join(given.choices)
    said = []
    for beyond in (BEYOND, -BEYOND):
        try:
            work_out(working.name, {**working.example, given.key: f"{beyond:f}"})
        except ValueError as wrong:
            said.append(str(wrong).split("; it was")[0].rstrip("."))
    return "; ".join(dict.fromkeys(said)) or "any number"


# --- docs/job.md


def job_page(shelf: Library) -> str:
    """docs/job.md: every key of a job file, and the words and values that it takes; Markdown."""
    found = {name: FINDINGS[name] for name in shelf.limits if name in FINDINGS and name not in shelf.quantities}
    quantities: dict[str, Quantity | Computation] = {**shelf.quantities, **found}
    lines = [
        "# The job file",
        "",
        "What is known of a visit before it begins, as YAML. Made from the models in `assistant/trade/job.py` by",
        "`make docs`. `assistant job new` writes one to fill in; `assistant job check FILE` says what is wrong in one.",
        *(line for model, title, says in JOB_PARTS for line in ("", f"## {title}", "", says, "", *_keys(model))),
        "",
        "## Names of quantities",
        "",
        "For `plate`, `previous` and `measures`. Any unit of the same kind can be written.",
        "",
        *_table(
            ("name", "unit", "what it is"),
            ((f"`{name}`", each.unit, each.plain or printed(each.spoken)) for name, each in quantities.items()),
        ),
        "",
        "## Units and other words",
        "",
        f"Units: {', '.join(f'`{name}`' for name in UNITS)}. Also taken, for what stands beside it:",
        "",
        *_table(("written", "taken as"), ((f"`{said}`", f"`{own}`") for said, own in SAID_FOR.items() if said != own)),
        "",
        "## As `assistant job new` writes it",
        "",
        "```yaml",
        filled_in({}).rstrip(),
        "```",
    ]
    return "\n".join(lines) + "\n"


JOB_PARTS: tuple[tuple[type[BaseModel], str, str], ...] = (
    (JobFile, "The job", "`plate` and `previous` are tables: the name of a quantity, and what is told of it."),
    (Appliance, "appliance", f"`ignition` is one of {', '.join(library().systems)}, or a shop's own."),
    (Person, "technician, helper", "Who works."),
    (PlateValue, "plate", "Each value of the rating plate, or of a maker's sheet; it comes before any generic limit."),
    (Gas, "gas", "Both are needed for working out the input rate."),
    (Meter, "meters", "Each meter in use."),
    (MeterAccuracy, "accuracy of a meter", "± (percent of the reading + counts of the last digit)."),
)
"""The models of a job file, each with the title of its table and a sentence."""


def _keys(model: type[BaseModel]) -> list[str]:
    """The keys of a model as a table."""
    remarks = {line[1]: line[2] for line in _remarks(model)}
    return _table(
        ("key", "takes", "left out", "what it is"),
        (
            (
                f"`{key}`",
                _taken(field.annotation),
                "*cannot be*" if field.is_required() else _default(field.get_default(call_default_factory=True)),
                remarks[key],
            )
            for key, field in model.model_fields.items()
        ),
    )


def _taken(kind: Any) -> str:
    """What a key takes, in words."""
    if kind in (str, Decimal, bool):
        return {str: "text", Decimal: "a number", bool: "true or false"}[kind]
    if isinstance(kind, type) and issubclass(kind, BaseModel):
        return f"keys: {', '.join(kind.model_fields)}"
    of = [each for each in get_args(kind) if each not in (type(None), ...)]
    if get_origin(kind) is Literal:
        return ", ".join(of)
    if get_origin(kind) is tuple:
        return f"a list: {_taken(of[0])}"
    if get_origin(kind) is dict:
        return f"names with: {_taken(of[1])}"
    return _taken(of[0])


def _default(value: Any) -> str:
    if value in (None, "", (), {}):
        return "nothing"
    return {False: "false"}.get(value, str(value)) if isinstance(value, bool) else str(value)


def schema() -> dict[str, Any]:
    """The JSON Schema of procedure files, of the table of procedures and of parts."""
    kinds, definitions = models_json_schema(
        [(model, "validation") for model in (WrittenProcedure, ProcedureTable, Part)],
        title="A procedure of the assistant, the table of procedures, or a part that procedures include",
    )
    for name, definition in definitions["$defs"].items():
        for line in _remarks(getattr(procedures, name, None)):
            definition["properties"][line[1]]["description"] = line[2]
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "anyOf": list(kinds.values()),
        **definitions,
    }


def _remarks(model: type[BaseModel] | None) -> Iterator[re.Match[str]]:
    """The fields of a model that have a remark beside them: the name and the remark; those of its bases first."""
    for base in reversed(model.__mro__ if isinstance(model, type) else ()):
        if issubclass(base, Data) and base is not Data:
            yield from re.finditer(r"^    (\w+): .*  # (.+)$", inspect.getsource(base), re.M)


def schema_text() -> str:
    """The JSON Schema as it is published, docs/procedure.schema.json."""
    return json.dumps(schema(), indent=1, sort_keys=True) + "\n"


DOCUMENTS: dict[str, Callable[[], str]] = {
    "grammars/units.jsgf": units_grammar,
    "grammars/README.md": lambda: what_can_be_said(library().language),
    "docs/job.md": lambda: job_page(library()),
    "docs/limits.md": lambda: limits_table(library()),
    "docs/dialogue.md": dialogue_page,
    "docs/procedure.schema.json": schema_text,
    **{
        f"docs/procedures/{ignition.replace(' ', '-')}.md": partial(
            lambda name: procedure_page(library(), name), ignition
        )
        for ignition in library().systems
    },
    COMPUTING: lambda: computing((TOP / COMPUTING).read_text(encoding="utf-8")),
}
"""Path in the repository -> its text."""


def stale() -> list[str]:
    """The documents that are out of date."""
    written = {name: TOP / name for name in DOCUMENTS}
    return [
        name
        for name, path in written.items()
        if not path.is_file() or path.read_text(encoding="utf-8") != DOCUMENTS[name]()
    ]


def main(arguments: list[str]) -> None:
    """Writes the documents, or with --check only says which are out of date."""
    old = stale()
    if "--check" in arguments:
        sys.exit(f"{', '.join(old)}: out of date. Run: make docs" if old else 0)
    for name in old:
        (TOP / name).parent.mkdir(exist_ok=True)
        (TOP / name).write_text(DOCUMENTS[name](), encoding="utf-8")


if __name__ == "__main__":
    main(sys.argv[1:])
