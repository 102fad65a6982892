"""What it takes to add a thing: an ignition system and a quantity in a shop's folder, a unit and a kind of step in
their tables."""

from __future__ import annotations

from decimal import Decimal

import pytest
from documents import units_grammar
from simulated import Technician

from assistant import files
from assistant.dialogue.state import Phase
from assistant.files import PROCEDURES, TRADE_DATA, Library, library, use_shop
from assistant.language.jsgf import read_grammars
from assistant.language.meaning import Question, Reading
from assistant.language.spoken import spoken_value
from assistant.language.utterance import Language
from assistant.trade import units
from assistant.trade.procedures import KINDS, Kind, Step
from assistant.trade.quantities import Quantity
from assistant.wording import english as wording


@pytest.fixture
def shop(tmp_path, monkeypatch):
    """An empty folder of a shop, which is in use in this test alone."""
    monkeypatch.setattr(files, "_LIBRARY", [Library()])
    folder = tmp_path / "shop"
    folder.mkdir()
    return folder


def table_with(system: str) -> str:
    """The shipped table of procedures, of this ignition system alone."""
    before, _, rest = (TRADE_DATA / PROCEDURES).read_text(encoding="utf-8").partition("ignition:\n")
    return f"{before}ignition:\n  {system}\nfuel:{rest.partition('fuel:')[2]}"


def test_an_ignition_system_is_an_entry_of_the_table(shop):
    system = "glow coil: {name: glow-coil, title: Glow coil, like: hot surface}"
    (shop / PROCEDURES).write_text(table_with(system), encoding="utf-8")
    use_shop(shop)
    procedure = library().procedures["glow-coil-natural-gas-safety-test"]
    alike = library().procedures["hot-surface-natural-gas-safety-test"]
    assert [step.id for step in procedure.steps] == [step.id for step in alike.steps]
    limits = [library().limits_for("natural gas", name, "safety test") for name in ("glow coil", "hot surface")]
    assert limits[0].keys() == limits[1].keys()
    technician = Technician(procedure)
    technician.work()
    assert technician.state.phase is Phase.CLOSED
    assert technician.dialogue.rules.job.appliance.ignition == "glow coil"


def test_a_table_may_say_itself_where_shutting_down_begins(shop):
    table = table_with("hot surface: {name: hot-surface, title: Hot surface igniter}")
    (shop / PROCEDURES).write_text(f"{table}shut_down: [nowhere]\n", encoding="utf-8")
    flaws = Library(shop).examine(shop / PROCEDURES)[1]
    assert any("shutting down begins at 'nowhere'" in flaw.says for flaw in flaws)


def test_an_ignition_system_needs_its_safety_tests(shop):
    """A direct spark has no pilot whose safe shut-down could be tested."""
    system = "flint wheel: {name: flint-wheel, title: Flint wheel, like: direct spark, proves: [safe-shut-down]}"
    (shop / PROCEDURES).write_text(table_with(system), encoding="utf-8")
    flaws = Library(shop).examine(shop / PROCEDURES)[1]
    assert any("there is no safe-shut-down test, which is required of flint wheel" in flaw.says for flaw in flaws)


def test_a_shop_cannot_ask_less_of_a_shipped_system(shop):
    system = "hot surface: {name: hot-surface, title: Hot surface igniter, proves: []}"
    (shop / PROCEDURES).write_text(table_with(system), encoding="utf-8")
    assert Library(shop).systems["hot surface"].proves == ("lock-out",)


@pytest.mark.parametrize("name", ["parts/cold.yaml", "limits.yaml", "faults.yaml"])
def test_a_slip_in_the_name_of_a_system_is_told_where_it_is(shop, name):
    slip = (TRADE_DATA / name).read_text(encoding="utf-8")
    for right in ("ignition: hot surface", "only: {fuel: natural gas"):
        if right in slip:
            wrong = right.replace("hot surface", "hot surfcae").replace("{fuel", "{ignition: hot surfcae, fuel")
            slip = slip.replace(right, wrong, 1)
            break
    path = shop / name
    path.parent.mkdir(exist_ok=True)
    path.write_text(slip, encoding="utf-8")
    flaws = Library(shop).flaws_in(path)
    assert any("there is no ignition system 'hot surfcae'" in flaw.says and flaw.line > 1 for flaw in flaws), flaws


def test_a_quantity_is_an_entry_of_a_file(shop):
    entry = "cabinet-temperature: {spoken: cabinet temperature, unit: degF, low: -50, high: 500, resolution: 0.1}\n"
    (shop / "quantities.yaml").write_text(entry, encoding="utf-8")
    (shop / "parts").mkdir()
    step = (
        "  - id: cabinet\n    title: cabinet temperature\n    kind: read\n    quantity: cabinet-temperature\n"
        "    say: Read the cabinet temperature.\n"
    )
    part = (TRADE_DATA / "parts" / "arrival.yaml").read_text(encoding="utf-8")
    (shop / "parts" / "arrival.yaml").write_text(part.replace("steps:\n", f"steps:\n{step}", 1), encoding="utf-8")
    use_shop(shop)
    technician = Technician(library().procedures["hot-surface-natural-gas-yearly"])
    technician.dialogue = type(technician.dialogue)(library().language, technician.dialogue.rules)
    technician.go_to("cabinet")
    assert technician.hear("eighty five point five degrees").startswith("I have eight, five, point, five degrees")
    assert technician.state.latest("cabinet-temperature").judged == Decimal("85.5")


def test_a_kind_of_step_is_a_row_of_its_table_and_the_words_that_answer_it(monkeypatch):
    """Where what answers it is there already: done, yes or no, a reading, marks."""
    monkeypatch.setitem(KINDS, "witness", Kind(("yes", "no"), "yes"))
    monkeypatch.setitem(wording._ANSWERS, "witness", "yes once somebody looks on")
    procedure = library().procedures["hot-surface-natural-gas-yearly"]
    first = procedure.steps[0]
    asked = Step(id="witness", title="witness", kind="check", say="Does somebody look on?")
    step = asked.model_copy(update={"kind": "witness"})
    technician = Technician(procedure.model_copy(update={"steps": (step, *procedure.steps)}))
    technician.begin()
    assert technician.hear("what can i say").startswith("Say yes once somebody looks on.")
    technician.say("no")
    assert technician.state.step == first.id
    assert technician.state.outcome("witness") == "no"


def test_a_unit_is_an_entry_of_its_table(monkeypatch):
    monkeypatch.setitem(units.UNITS, "hertz", units.Named("Hz", "hertz", "hertz", "a frequency"))
    texts = {**library().grammar_texts, "units.jsgf": units_grammar()}
    asked = Quantity(name="frequency", spoken="frequency", unit="hertz", low=0, high=400, resolution=1)
    language = Language(read_grammars(texts), {**library().quantities, "frequency": asked})
    said = spoken_value(Decimal(60), "hertz")
    assert said == "six, zero hertz"
    for words in (said, "sixty hertz"):
        assert language.understand(words, Question("frequency", asked)) == Reading(Decimal(60), "hertz")
