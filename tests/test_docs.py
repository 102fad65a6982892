"""The documents say what is so."""

import re
import subprocess
import sys
from decimal import Decimal
from typing import get_args

import documents
import pytest
from documents import Page, procedure_page
from pydantic import BaseModel
from what_can_be_said import what_can_be_said

from assistant.files import library, read_job
from assistant.record.story import printed
from assistant.review.report import words
from assistant.trade.job import Ignition, Job


def test_the_check_names_a_document_that_is_out_of_date(tmp_path, monkeypatch):
    monkeypatch.setattr(documents, "TOP", tmp_path)
    monkeypatch.setattr(documents, "DOCUMENTS", {"a.md": lambda: "new\n", "b.md": lambda: "new\n"})
    for name in ("a.md", "b.md"):
        (tmp_path / name).write_text("old\n" if name == "a.md" else "new\n", encoding="utf-8")
    with pytest.raises(SystemExit, match=r"^a\.md: out of date"):
        documents.main(["--check"])
    documents.main([])
    assert (tmp_path / "a.md").read_text(encoding="utf-8") == "new\n"
    with pytest.raises(SystemExit) as over:
        documents.main(["--check"])
    assert over.value.code == 0


def test_every_quantity_has_a_name_that_can_be_said(language, shelf):
    table = what_can_be_said(language)
    for name in shelf.quantities:
        row = next(line for line in table.splitlines() if line.startswith(f"| {name} |"))
        assert row.split("|")[2].strip(), name


def test_no_page_is_left_of_what_is_made_no_longer():
    pages = {path.relative_to(documents.TOP).as_posix() for path in (documents.TOP / "docs" / "procedures").iterdir()}
    assert pages == {name for name in documents.DOCUMENTS if name.startswith("docs/procedures/")}
    assert len(pages) == len(library().systems)


@pytest.fixture(params=library().systems)
def ignition(request) -> Ignition:
    return request.param


def lines_of(shelf, ignition: Ignition) -> dict[int, dict[str, str]]:
    """The lines of the tables of steps on a page, by their number."""
    lines = {}
    for text in procedure_page(shelf, ignition).splitlines():
        cells = [cell.strip() for cell in text.split("|")[1:-1]]
        if cells and cells[0].isdigit():
            lines[int(cells[0])] = dict(zip(documents.COLUMNS, cells, strict=True))
    return lines


def test_a_page_has_every_step_of_every_procedure_in_its_order(shelf, ignition):
    page, lines = Page.of(shelf, ignition), lines_of(shelf, ignition)
    assert list(lines) == list(range(1, len(page.plain) + len(page.side) + 1))
    mine = [p for p in shelf.procedures.values() if p.ignition == ignition]
    assert len(page.procedures) == len(mine) == 8
    for job, procedure in page.procedures.items():
        numbers = {step.id: page.number(job, step.id) for step in procedure.steps}
        assert len(set(numbers.values())) == len(procedure.steps)
        for part in (page.plain, page.side):
            here = [numbers[step.id] for step in procedure.steps if numbers[step.id] in {line.number for line in part}]
            assert here == sorted(here)
        for step in procedure.steps:
            line = lines[numbers[step.id]]
            assert line["step"].startswith(f"**{printed(step.title)}**<br>{printed(step.say)}")
            power, _, _ = line["power"].partition("→")
            gas, _, set_gas = line["gas"].partition("→")
            assert (power.strip(), gas.strip()) == (" or ".join(step.power), " or ".join(step.gas))
            assert set_gas.strip() == (step.sets.gas if step.sets and step.sets.gas != "unknown" else "")
            told = [shelf.hazards[name] for name in step.hazards]
            assert [cell.split(":")[0] for cell in line["hazards voiced before"].split("<br>") if cell] == [
                hazard.level for hazard in told
            ]


def test_a_page_has_each_limit_with_its_figures_and_mark(shelf, ignition):
    page, lines = Page.of(shelf, ignition), lines_of(shelf, ignition)
    seen = 0
    for (fuel, visit), procedure in page.procedures.items():
        limits = shelf.limits_for(fuel, ignition, visit)
        for step in procedure.steps:
            cell = lines[page.number((fuel, visit), step.id)]["limit"]
            for limit in (limits[name] for name in (*step.quantities, *step.works_out) if name in limits):
                bounds = (limit.low, limit.caution_low, limit.caution_high, limit.high, limit.emergency_from)
                figures = [f"{bound:,f}".replace(",", "\u202f") for bound in bounds if bound is not None]
                assert all(figure in cell for figure in figures), (step.id, cell)
                assert f"({limit.source.mark})" in cell
                seen += 1
    assert seen > 50


def test_a_page_says_which_step_is_only_for_some(shelf, ignition):
    page, lines = Page.of(shelf, ignition), lines_of(shelf, ignition)
    for line in (*page.plain, *page.side):
        only = lines[line.number]["only"]
        fuels = {fuel for fuel, _ in line.jobs}
        assert ("LP" in only) == (fuels == {"LP"})
        assert ("natural gas" in only) == (fuels == {"natural gas"})
        for visit in ("yearly check", "no heat", "commissioning", "safety test"):
            some = len({visit for _, visit in line.jobs}) < 4
            assert (visit in only) == (some and any(visit == of for _, of in line.jobs))
        assert ("*if it tells*" in only) == line.step.if_it_tells
        if line.step.needs and line.step.needs != "gas":
            assert line.step.needs in only


def test_a_page_says_where_a_step_leads(shelf):
    """As by hand: the ignition systems share these parts, so one page stands for all."""
    lines = lines_of(shelf, "hot surface")
    number = {line["step"].split("**")[1]: n for n, line in lines.items()}
    lit, off, cock = number["lighting"], number["gas shut, appliance off"], number["gas shut for a leak at a tap"]
    assert lines[lit]["leads to"] == f"no: {off}"
    assert lines[number["taps leak test"]]["leads to"] == f"yes: {cock}"
    assert lines[number["tap tightened"]]["leads to"] == f"done: {number['power isolated']}"
    assert lines[number["smell check"]]["leads to"] == "yes: **emergency, leave**"
    assert lines[number["customer told"]]["leads to"] == "then: the visit ends"
    assert lines[number["line voltage"]]["leads to"] == ""
    assert min(off, cock) > number["customer told"]  # they are not on the way of a visit without a finding


def test_a_page_says_what_comes_first_and_gives_no_permission(shelf, ignition):
    head = " ".join(procedure_page(shelf, ignition).split("## The steps")[0].split())
    assert "maker's instructions and the local code come first" in head
    assert "gives no permission" in head


def test_a_column_is_added_in_one_place(shelf, monkeypatch):
    monkeypatch.setitem(documents.COLUMNS, "asked twice", lambda row: "yes" if row.line.step.confirm else "")
    lines = lines_of(shelf, "standing pilot")
    assert {line["asked twice"] for line in lines.values()} == {"", "yes"}


def test_the_limits_have_a_line_each_with_figures_authority_mark_and_condition(shelf):
    table = documents.limits_table(shelf).split("## Check values")[0]
    lines = [line for line in table.splitlines() if line.startswith("| ")][2:]
    limits = [limit for of in shelf.limits.values() for limit in of]
    assert len(lines) == len(limits)
    for line, limit in zip(lines, limits, strict=True):
        quantity, says, authority, source, holds = (cell.strip() for cell in line.split("|")[1:-1])
        assert all(fuel in quantity for fuel in limit.only.fuel)
        assert source.startswith(limit.source.mark)
        assert source.endswith(limit.source.text)
        assert (authority, holds) == (words.AUTHORITIES[limit.authority], limit.condition)
        for bound in (limit.low, limit.caution_low, limit.caution_high, limit.high):
            assert bound is None or f"{bound:,f}".replace(",", "\u202f") in says
        assert ("safety limit" in says) == limit.guarded
        assert ("plate or sheet" in says) == (limit.plate_only and not limit.is_known)


def test_every_key_of_a_job_file_is_explained_with_what_it_takes(shelf):
    page = documents.job_page(shelf)
    seen = 0
    for model, title, _ in documents.JOB_PARTS:
        part = page.split(f"## {title}\n")[1].split("\n## ")[0]
        for key, field in model.model_fields.items():
            (row,) = [line for line in part.splitlines() if line.startswith(f"| `{key}` |")]
            _, _, takes, left_out, remark, _ = (cell.strip() for cell in row.split("|"))
            assert takes, key
            assert len(remark) > 5, key
            assert ("cannot be" in left_out) == field.is_required(), key
            seen += 1
    assert seen > 30
    models = {model for model, _, _ in documents.JOB_PARTS}
    assert models == _models_in(Job), "a model of the job file has no table"
    assert all(f"| `{name}` |" in page for name in shelf.quantities)


def _models_in(model):
    """A model and all that are inside it."""
    inside = {of for field in model.model_fields.values() for of in _classes_in(field.annotation)}
    return {model, *(each for of in inside for each in _models_in(of))}


def _classes_in(kind):
    if isinstance(kind, type) and issubclass(kind, BaseModel):
        return {kind}
    return {of for each in get_args(kind) for of in _classes_in(each)}


def test_a_new_job_file_has_every_key_and_what_it_leaves_blank_is_told(run, tmp_path):
    path = tmp_path / "job.yaml"
    assert run("job", "new", path)[0] == 0
    text = path.read_text(encoding="utf-8")
    for model, _, _ in documents.JOB_PARTS:
        for key in model.model_fields:
            assert key in ("invented", "tolerance") or re.search(rf"\b{key}:", text), key
    status, out, _ = run("job", "check", path)
    blank = ["site", "appliance.description", "appliance.fuel", "appliance.ignition", "technician.name"]
    *flaws, ask = out.splitlines()
    assert (status, [line.split(": ")[1] for line in flaws]) == (1, blank)
    assert ask.endswith(f"assistant visit --set-up --job {path}")
    assert all(f"line {text[: text.index(key)].count(chr(10)) + 1}, " in out for key in ("site:", "description:"))


def test_a_new_job_file_with_all_its_lines_in_use_is_right(run, tmp_path):
    path = tmp_path / "job.yaml"
    run("job", "new", path)
    in_use = re.sub(r"^( *)# (?= *(- )?[\w-]+:( |$))", r"\1", path.read_text(encoding="utf-8"), flags=re.M)
    for key, value in {"site": "9 Way", "description": "furnace", "fuel": "propane", "ignition": "hot surface"}.items():
        in_use = re.sub(rf"^( *{key}:) *$", rf"\1 {value}", in_use, flags=re.M)
    path.write_text(in_use.replace("{name: ,", "{name: Jo,"), encoding="utf-8")
    assert run("job", "check", path)[1:] == (f"{path}: complete; {TITLE}.\nBegin the visit with: {BEGIN} {path}\n", "")
    job = read_job(path)
    assert job.meters[1].lead_zero == Decimal("0.3")
    assert job.previous == {"flame-signal": Decimal("2.8")}


TITLE, BEGIN = "Hot surface igniter, LP, yearly check", "assistant visit --job"


def test_a_job_file_is_made_of_answers_at_the_terminal(run, tmp_path):
    path = tmp_path / "job.yaml"
    answers = ['9 "Way"', "Jo", "", "80 000: it's \\ here", "no heat", "propane", "hot", "hot surface"]
    status, out, _ = run("job", "new", path, "--ask", stdin="\n".join([*answers, "80,000", "x", "10", ""]))
    assert status == 0
    assert "complete; Hot surface igniter, LP, no heat" in out
    job = read_job(path)
    assert (job.site, job.appliance.description) == ('9 "Way"', "80 000: it's \\ here")
    assert (job.plate["input-rate"].value, job.plate["manifold-pressure"].value) == (80000, 10)


def test_the_unit_of_a_small_board_is_one_that_systemd_takes(need, tmp_path):
    need("systemd")
    page = (documents.TOP / "docs" / "phone.md").read_text(encoding="utf-8")
    unit = re.search(r"```ini\n(.*?)```", page, re.DOTALL)[1]
    command = re.search(r"^ExecStart=(\S+) (.*)$", unit, re.MULTILINE)
    file = tmp_path / "assistant.service"
    file.write_text(unit.replace(command[1], sys.executable), encoding="utf-8")
    done = subprocess.run(["systemd-analyze", "verify", file], capture_output=True, text=True, check=False)
    assert (done.returncode, done.stderr) == (0, "")
    spoilt = tmp_path / "spoilt.service"
    spoilt.write_text(file.read_text(encoding="utf-8").replace("Restart=always", "Restart=ever"), encoding="utf-8")
    done = subprocess.run(["systemd-analyze", "verify", spoilt], capture_output=True, text=True, check=False)
    assert "restart specifier" in done.stderr
    options = [word for word in command[2].split() if word.startswith("--")]
    told = subprocess.run([sys.executable, "-m", "assistant", "visit", "--help"], stdout=subprocess.PIPE, check=True)
    assert all(option in told.stdout.decode() for option in options)


def test_check_values_never_judge():
    """They have words only: no unit and no bound that a reading could be held against, and each its counter-fact."""
    values = documents.check_values().values()
    assert len(values) >= 12
    for value in values:
        assert set(value) == {"about", "says", "but"}
        assert all(isinstance(text, str) and text for text in value.values())
