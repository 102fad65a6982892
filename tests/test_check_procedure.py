"""assistant check-procedure: each mistake is told at its line, and all of them."""

import json
import re
import shutil

import pytest
from documents import schema
from own_procedure import own_procedure
from typer.testing import CliRunner

from assistant.cli.commands import build
from assistant.files import PROCEDURES, TRADE_DATA, use_shop

LP = "procedures/standing-pilot-lp-yearly.yaml"
SPARK = "procedures/direct-spark-natural-gas-no-heat.yaml"
WHOLE = "steps:"  # what is missing anywhere is told at the list of steps


@pytest.fixture(autouse=True)
def _no_shop(monkeypatch, tmp_path):
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path / "config"))
    monkeypatch.delenv("ASSISTANT_SHOP", raising=False)
    yield
    use_shop(None)


@pytest.fixture
def shop(tmp_path):
    """A copy of the shipped data with two procedures in files of their own, to break."""
    shutil.copytree(TRADE_DATA, tmp_path / "shop")
    (tmp_path / "shop" / "procedures").mkdir()
    for file in (LP, SPARK):
        name = file.removeprefix("procedures/").removesuffix(".yaml")
        (tmp_path / "shop" / file).write_text(own_procedure(name), encoding="utf-8")
    return tmp_path / "shop"


def run(*args: object):
    result = CliRunner().invoke(build(), [str(arg) for arg in args])
    return result.exit_code, result.output.splitlines()


def test_what_is_shipped_has_no_fault():
    files = sorted(TRADE_DATA.glob("**/*.yaml"))
    code, told = run("check-procedure", *files)
    assert code == 0, told
    assert {PROCEDURES, "arrival.yaml", "limits.yaml", "faults.yaml"} <= {file.name for file in files}
    assert len(files) == len(told)


TABLE = [
    # what is changed in the table of procedures, into what, and what is told
    ("  - include: cold", "  - include: warm", "there is no part 'warm'. (direct-spark-lp-commissioning and 31 more)"),
    ("  - include: running", "  - {include: running, only: {visit: no heat}}", "-lp-commissioning and 23 more)"),
    (
        "  hot surface: {name",
        "  warm surface: {name",
        "no flame-failure test, which is required of every procedure. (hot-surface-lp-commissioning and 7 more)",
    ),
    ("order: by-cause", "order: by-luck", "visit.no heat.order: it must be 'written' or 'by-cause'"),
    ("title: LP}", "titel: LP}", "fuel.LP.titel: no such key is known here"),
]


@pytest.mark.parametrize(("old", "new", "said"), TABLE)
def test_a_mistake_in_the_table_of_procedures_is_told_at_its_line_with_whose_it_is(shop, old, new, said):
    text = (shop / PROCEDURES).read_text(encoding="utf-8")
    assert text.count(old) == 1
    (shop / PROCEDURES).write_text(text.replace(old, new), encoding="utf-8")
    code, told = run("check-procedure", shop / PROCEDURES)
    assert code == 1
    line = text[: text.index(old)].count("\n") + 1
    if "23 more" in said or "required" in said:  # a test that is missed anywhere is told at the list of steps
        line = text.splitlines().index(WHOLE) + 1
    assert any(t.startswith(f"{shop / PROCEDURES}, line {line}, column ") and said in t for t in told), told


def test_a_shop_may_have_a_table_of_its_own(tmp_path):
    from assistant.files import Library

    table = (TRADE_DATA / PROCEDURES).read_text(encoding="utf-8")
    table = "\n".join(line for line in table.splitlines() if "natural gas" not in line)
    (tmp_path / PROCEDURES).write_text(table.replace("title: LP}", "title: bottled gas}"), encoding="utf-8")
    titles = {name: procedure.title for name, procedure in Library(tmp_path).procedures.items()}
    assert titles["direct-spark-lp-yearly"] == "Direct spark, bottled gas, yearly check"
    assert titles["direct-spark-natural-gas-yearly"] == "Direct spark, natural gas, yearly check"
    assert len(titles) == len(Library().procedures)


OHMS = (
    "quantity: burner-ground-resistance\n    say: Read burner to cabinet, in ohms.\n    brief: Burner to cabinet.\n"
    "    power: [dead]"
)
BROKEN = {
    # the procedure, the file to break, what is changed in it, into what, what is told
    "an unknown quantity": (LP, "parts/live.yaml", "quantity: line-voltage", "quantity: line-volts", "not a known"),
    "an unknown hazard": (LP, "parts/isolate.yaml", "[lock-out]", "[lock-in]", "not in the hazards file"),
    "an unknown finding": (LP, "parts/running.yaml", "works_out: [co-air-free]", "works_out: [air]", "known finding"),
    "an unknown key": (LP, "parts/live.yaml", "title: polarity", "titel: polarity", "no such key"),
    "an unknown part": (LP, LP, "include: cold", "include: warm", "no part 'warm'"),
    "an unknown state": (LP, "parts/live.yaml", "sets: {power: live}", "sets: {power: asleep}", "sets.power"),
    "an unknown fuel": (LP, "parts/arrival.yaml", "only: {fuel: LP}", "only: {fuel: coal}", "natural gas"),
    "no way out": (LP, "parts/closing.yaml", "next: {then: end}", "next: {then: told}", "no way leads out"),
    "a step that is not there": (LP, "parts/closing.yaml", '"no": isolate-again', '"no": lost', "no step has that id"),
    "two steps of one name": (LP, "parts/live.yaml", "id: neutral", "id: line", "written twice"),
    "an answer that cannot be": (LP, "parts/closing.yaml", "{done: isolate-again}", "{no: isolate-again}", "never end"),
    "ohms with the power on": (LP, "parts/cold.yaml", OHMS, OHMS.replace("dead", "live"), "reads ohms"),
    "a flame taken by a lead": (SPARK, "parts/flame-failure.yaml", "sets: {gas: shut}", "sets: {}", "closing the gas"),
    "a test to be skipped": (LP, "parts/running.yaml", "proves: [flue-co]", "proves: [venting]", "cannot be skippable"),
    "a repair of nothing": (LP, "parts/repairs.yaml", "[ambient-co,", "[ambient,", "no known quantity"),
    "times not in order": (
        LP,
        "parts/light-off.yaml",
        "{main-light-time: [call,",
        "{main-light-time: [fan,",
        "in order",
    ),
    "times in volts": (LP, "parts/flame-failure.yaml", "{safe-shut-down-time:", "{line-voltage:", "not in seconds"),
    "power and gas at once": (LP, "parts/isolate.yaml", "{power: isolated}", "{power: dead, gas: shut}", "at once"),
}


@pytest.mark.parametrize(("procedure", "file", "old", "new", "said"), BROKEN.values(), ids=BROKEN)
def test_a_mistake_is_told_at_its_line(shop, procedure, file, old, new, said):
    text = (shop / file).read_text(encoding="utf-8")
    assert old in text
    (shop / file).write_text(text.replace(old, new, 1), encoding="utf-8")
    changed = [text[:end].count("\n") + 1 for end in (text.index(old), text.index(old) + len(old))]
    code, told = run("check-procedure", shop / procedure)
    assert code == 1
    mine = [line for line in told if said in line]
    assert mine, told
    where = f"{shop / file}, line "
    lines = [int(line.removeprefix(where).split(",")[0]) for line in mine if line.startswith(where)]
    # What was changed; of a step as a whole, the line that it begins at.
    begins = text[: text.index(old)].rfind("- id: ")
    assert changed[0] <= lines[0] <= changed[1] or lines[0] == text[:begins].count("\n") + 1, told


def without(text: str, step: str) -> str:
    """A part's text without the steps of that id."""
    head, *steps = text.split("\n  - ")
    return "\n  - ".join([head, *(s for s in steps if not s.startswith(f"id: {step}\n"))])


@pytest.mark.parametrize(
    ("procedure", "part", "step", "said"),
    [
        (LP, "arrival", "low-gas", "lies low"),
        (LP, "closing", "low-gas-last", "opens LP, and on a path to it nobody checked"),
        (LP, "flame-failure", "no-main-gas", "no lock-out test, which is required of LP: 100 % lock-out"),
        (SPARK, "flame-failure", "lock-out-proved", "no lock-out test, which is required of direct spark"),
        (LP, "running", "vent", "no venting test"),
        (LP, "running", "monoxide", "no flue-co test"),
        (LP, "cold", "ground-path", "no ground-path test"),
        (LP, "cold", "rollout-switch", "no rollout-switch test"),
        (LP, "closing", "leak-check", "the end with the gas on and without the leak-check test"),
        (LP, "closing", "jumpers", "the end with the gas on and without the jumpers-out test"),
        (LP, "isolate", "prove-dead", "can be reached with the power isolated; it needs dead"),
        (LP, "gas-on", "gas-on", "can be reached with the gas shut; it needs on"),
        (LP, "light-off", "sequence", "no sequence-timing test"),
    ],
)
def test_a_step_that_is_missed_is_told(shop, procedure, part, step, said):
    file = shop / "parts" / f"{part}.yaml"
    file.write_text(without(file.read_text(encoding="utf-8"), step), encoding="utf-8")
    code, told = run("check-procedure", shop / procedure)
    if step == "low-gas":  # a second check stands before every gas-on; without that one too the first is missed
        other = shop / "parts" / "gas-on.yaml"
        other.write_text(without(other.read_text(encoding="utf-8"), "low-gas-before"), encoding="utf-8")
        code, told = run("check-procedure", shop / procedure)
    assert code == 1
    assert any(said in line for line in told), told
    if said.startswith("no ") or "the end with" in said:
        line = (shop / procedure).read_text(encoding="utf-8").splitlines().index(WHOLE) + 1
        assert any(t.startswith(f"{shop / procedure}, line {line}, ") and said in t for t in told), told


@pytest.mark.parametrize(
    ("part", "step", "hazards", "danger"),
    [
        ("isolate", "isolate", "[lock-out]", "stored energy"),
        ("isolate", "prove-dead", "[test-for-dead]", "live parts"),
        ("gas-on", "gas-on", "[gas-on, leak]", "gas"),
        ("light-off", "stand-clear", "[light-off, no-retry, spark]", "light-off"),
        ("light-off", "sequence", "[spark]", "spark"),
        ("running", "vent", "[burner-run]", "flue gas"),
        ("flame-failure", "flame-out", "[flame-failure]", "flame failure"),
        ("closing", "jumpers", "[jumpers]", "jumpers"),
        ("closing", "plugs-tight", "[leak]", "leak"),
    ],
)
def test_a_danger_that_is_not_voiced_is_told(shop, part, step, hazards, danger):
    file = shop / "parts" / f"{part}.yaml"
    text = re.sub(r"\n    hazards_only: .*", "", file.read_text(encoding="utf-8"))
    steps = text.split("\n  - ")
    if step == "sequence":  # standing clear warns of the spark, too
        steps = [s.replace("no-retry, spark]", "no-retry]") for s in steps]
    steps = [s.replace(f"hazards: {hazards}", "hazards: []") if s.startswith(f"id: {step}\n") else s for s in steps]
    file.write_text("\n  - ".join(steps), encoding="utf-8")
    _, told = run("check-procedure", shop / SPARK)
    assert any(f"reached without a warning of {danger}" in line and str(shop / "parts") in line for line in told), told


MARK = "source: {mark: common practice}"
UNSAID = "hum:\n  spoken: hum\n  unit: hertz\n  low: 0\n  high: 400\n  resolution: 1\n"
"""A quantity in a unit that the voice has no words for."""


@pytest.mark.parametrize(
    ("name", "text", "line", "said"),
    [
        ("limits.yaml", "draft: {unit: inH2O, high: 0,\n  authority: generic}\n", 1, "draft.source: it is missing"),
        ("limits.yaml", "draft:\n  - unit: inH2O\n    low: 0\n    authority: generic\n", 2, "source: it is missing"),
        ("limits.yaml", f"# x\ndraft:\n  unit: volt\n  authority: generic\n  {MARK}\n", 2, "in volt"),
        ("limits.yaml", f"# x\nluck: {{unit: volt, authority: generic, {MARK}}}\n", 2, "'luck'"),
        ("limits.yaml", "draft:\n  unit: inH2O\n  source: {mark: published}\n  authority: code\n", 3, "name its title"),
        (
            "limits.yaml",
            f"# x\nambient-co:\n  unit: ppm\n  forbids: {{acts: [leaving on]}}\n  authority: code\n  {MARK}\n",
            2,
            "weaker than what is shipped",
        ),
        (
            "limits.yaml",
            f"# x\nambient-co:\n  unit: ppm\n  forbids: null\n  authority: code\n  {MARK}\n",
            2,
            "weaker than what is shipped",
        ),
        (
            "limits.yaml",
            f"draft:\n  unit: inH2O\n  forbids: {{acts: [lighting]}}\n  authority: code\n  {MARK}\n",
            3,
            "also forbids running",
        ),
        ("limits.yaml", f"draft:\n  unit: inch\n  authority: code\n  {MARK}\n", 2, "known unit"),
        ("hazards.yaml", f"wind:\n  level: mild\n  say: Wind.\n  {MARK}\n", 2, "wind.level"),
        ("quantities.yaml", "noise:\n  spoken: noise\n  unit: dB\n", 2, "noise.low: it is missing"),
        ("quantities.yaml", UNSAID, 3, "hum.unit: 'hertz' is not a known unit"),
        ("limits.yaml", f"draft:\n  unit: watt\n  authority: code\n  {MARK}\n", 2, "'watt' is not a known unit"),
        ("hazards.yaml", "- wind\n", 1, "no list of keys"),
    ],
)
def test_a_mistake_in_other_data_files_is_told_at_its_line(tmp_path, name, text, line, said):
    (tmp_path / name).write_text(text, encoding="utf-8")
    code, told = run("check-procedure", tmp_path / name)
    assert code == 1
    assert any(t.startswith(f"{tmp_path / name}, line {line}, column ") and said in t for t in told), told


def test_all_problems_are_told_at_once(shop):
    file = shop / "parts" / "live.yaml"
    text = file.read_text(encoding="utf-8")
    text = text.replace("quantity: line-voltage", "quantity: luck").replace("hazards: [spark]", "hazards: [lions]")
    file.write_text(text, encoding="utf-8")
    code, told = run("check-procedure", shop / SPARK)
    assert code == 1
    assert sum("'luck'" in line or "'lions'" in line for line in told) == 2


def test_what_is_no_yaml_or_not_there_is_told_and_keeps_no_other_from_being_checked(tmp_path, shop):
    (tmp_path / "x.yaml").write_text("a: [1", encoding="utf-8")
    (tmp_path / "limits.yaml").write_text("ambient-co: 3\n", encoding="utf-8")
    code, told = run(
        "check-procedure", tmp_path / "x.yaml", tmp_path / "y.yaml", tmp_path / "limits.yaml", shop / SPARK
    )
    assert code == 2
    assert len(told) == 4
    assert "x.yaml, line 1" in told[0]
    assert "y.yaml does not exist" in told[1]
    assert "limits.yaml, line 1, column 1" in told[2]
    assert "no fault found" in told[3]


def test_a_shop_adds_and_replaces_without_touching_the_package(tmp_path, monkeypatch):
    from assistant.files import library

    mine = tmp_path / "shop"
    (mine / "procedures").mkdir(parents=True)
    text = own_procedure("standing-pilot-lp-yearly").replace("title: Standing", "title: Our own standing")
    (mine / "procedures" / "ours.yaml").write_text(text.replace("name: standing", "name: our-standing"))
    (mine / "hazards.yaml").write_text("leak: {level: danger, say: Never a flame here., warns_of: [leak], "
                                       "source: {mark: common practice}}\n")  # fmt: skip
    assert run("--shop", mine, "check-procedure", mine / "procedures" / "ours.yaml")[0] == 0
    assert library().hazards["leak"].say == "Never a flame here."
    assert "our-standing-pilot-lp-yearly" in library().procedures
    assert "standing-pilot-lp-yearly" in library().procedures
    monkeypatch.setenv("ASSISTANT_SHOP", str(mine))
    assert run("check-procedure", TRADE_DATA / PROCEDURES)[0] == 0
    assert library().shop == mine
    assert run("--shop", tmp_path / "lost", "check-procedure", mine / "procedures" / "ours.yaml")[0] != 0


def test_the_schema_names_what_a_procedure_may_hold():
    published = schema()
    assert {"WrittenStep", "ProcedureTable", "Include", "WrittenRepair", "Only", "State"} <= published["$defs"].keys()
    assert "proves" in published["$defs"]["WrittenStep"]["properties"]
    pointers = set()

    def walk(node: object) -> None:
        if isinstance(node, dict):
            if "$ref" in node:
                pointers.add(node["$ref"].removeprefix("#/$defs/"))
            for value in node.values():
                walk(value)
        elif isinstance(node, list):
            for value in node:
                walk(value)

    walk(published)
    assert pointers <= published["$defs"].keys()
    json.dumps(published)
