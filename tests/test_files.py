"""Data files that people write: each mistake is one sentence with its place."""

import os
from dataclasses import replace

import pytest
from own_procedure import own_procedure

from assistant.errors import Problem
from assistant.files import TRADE_DATA, expected, read_draft
from assistant.language.meaning import Question
from assistant.language.phrases import Expected
from assistant.places import cached
from assistant.trade.job import Job
from assistant.yaml_files import _json, _parsed, _plain, read_yaml


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ('next: {"no": isolate}', 'next: {"no": nowhere}', "goes to 'nowhere'"),
        ("hazards: [lock-out]", "hazards: [lock-in]", "not in the hazards file"),
        ("title: proved dead\n", "titel: proved dead\n", "steps.3.titel: no such key"),
        ("sets: {power: isolated}", "sets: {power: sleeping}", "steps.1.sets.power"),
    ],
)
def test_a_broken_procedure_is_told_with_its_place(shelf, tmp_path, old, new, said):
    own = (TRADE_DATA / "parts" / "isolate.yaml").read_text(encoding="utf-8").partition("steps:\n")[2]
    text = own_procedure("hot-surface-natural-gas-yearly").replace("  - include: isolate\n", own)
    assert old in text
    (tmp_path / "mine.yaml").write_text(text.replace(old, new, 1), encoding="utf-8")
    _, flaws = shelf.examine(tmp_path / "mine.yaml")
    assert any(said in flaw.says and flaw.path.name == "mine.yaml" and flaw.line > 1 for flaw in flaws)
    with pytest.raises(Problem, match=r"mine\.yaml, line "):
        shelf.read_procedures(tmp_path / "mine.yaml")


@pytest.mark.parametrize(
    ("content", "said"),
    [
        (b"", "is empty"),
        (b"a: [1", "this is not YAML"),
        (b"\xff\xfe", "not text in UTF-8"),
        (b"a: 1\na: 2", "YAML"),
    ],
)
def test_what_is_no_yaml_is_told(tmp_path, content, said):
    (tmp_path / "x.yaml").write_bytes(content)
    with pytest.raises(Problem, match=r"x\.yaml") as wrong:
        read_yaml(tmp_path / "x.yaml")
    assert said in str(wrong.value)
    assert "\n" not in str(wrong.value)


def test_a_job_file_may_leave_things_out_but_not_be_wrong(tmp_path):
    path = tmp_path / "job.yaml"
    path.write_text("visit: no heat\nplate: {input-rate: {value: 80000, unit: Btu_per_hour}}\n", encoding="utf-8")
    assert read_draft(path)["visit"] == "no heat"
    for text, said in (
        ("visit: no heat\nfuel: LP\n", "fuel: no such key"),
        ("plate: {input: {value: 1, unit: volt}}\n", "'input', which is not a quantity"),
        ("appliance: {fuel: coal}\n", "appliance.fuel"),
        ("- 1\n", "line 1"),
    ):
        path.write_text(text, encoding="utf-8")
        with pytest.raises(Problem, match=r"job\.yaml") as wrong:
            read_draft(path)
        assert said in str(wrong.value)


@pytest.fixture
def cache(tmp_path, monkeypatch):
    """An empty cache of the user."""
    monkeypatch.setattr("platformdirs.user_cache_path", lambda *_, **__: tmp_path / "cache")
    return tmp_path / "cache"


def test_what_is_cached_is_made_once_and_is_what_was_made(cache):
    made = []

    def make() -> list[int]:
        made.append(1)
        return [len(made)]

    assert [cached("a", "text", make) for _ in range(3)] == [[1], [1], [1]]
    assert cached("a", "other text", make) == [2]
    assert cached("b", "text", make) == [3]


@pytest.mark.parametrize("spoil", [lambda old: b"", lambda old: old[:-2], lambda old: old.replace(b"1", b"2"), bytes])
def test_a_cache_that_is_wrong_is_never_used(cache, spoil):
    cached("a", "text", lambda: ["1"])
    cached("a", "other", lambda: ["other"])
    (path,) = [each for each in (cache / "a").iterdir() if b"other" not in each.read_bytes()]
    (other,) = [each for each in (cache / "a").iterdir() if each != path]
    whole = path.read_bytes()
    path.write_bytes(spoil(whole) if spoil is not bytes else other.read_bytes())  # or that of another text
    assert cached("a", "text", lambda: ["made again"]) == ["made again"]
    assert cached("a", "text", lambda: ["not made"]) == ["made again"]


def test_without_a_cache_it_only_takes_longer(cache):
    cache.write_bytes(b"a file in its place")
    assert [cached("a", "text", lambda: ["made"]) for _ in range(2)] == [["made"]] * 2


def test_the_oldest_leave_the_cache(cache, monkeypatch):
    monkeypatch.setattr("assistant.places.MOST_CACHED", 3)
    for n in range(8):
        cached("a", f"{n}", lambda n=n: [n])
        os.utime(max((cache / "a").iterdir(), key=lambda each: each.stat().st_ctime), (n, n))
    assert len(list((cache / "a").iterdir())) == 4
    assert cached("a", "7", lambda: ["anew"]) == [7]
    assert cached("a", "0", lambda: ["anew"]) == ["anew"]


def test_a_data_file_from_the_cache_is_as_it_was_read(cache):
    for path in sorted(TRADE_DATA.rglob("*.yaml")):
        text = path.read_text(encoding="utf-8")
        read = _json(_parsed(text))
        kept = [cached("yaml", text, lambda read=read: read) for _ in range(2)]
        assert kept == [read] * 2, path
        assert _plain(kept[1]) == read_yaml(path)


def test_phrases_from_the_cache_are_those_that_are_drawn(cache, shelf):
    question = Question("draft", shelf.quantities["draft"])
    drawn = Expected(shelf.language, question).phrases
    assert [expected(shelf.language, question).phrases for _ in range(2)] == [drawn, drawn]
    assert len(list((cache / "phrases").iterdir())) == 1
    other = replace(shelf.language, quantities={**shelf.quantities, "draft": shelf.quantities["line-voltage"]})
    _ = expected(other, question).phrases
    assert len(list((cache / "phrases").iterdir())) == 2


@pytest.mark.parametrize(
    ("written", "taken"),
    [
        ("visit: tune up", ("visit", "yearly check")),
        ("appliance: {fuel: Propane}", ("appliance.fuel", "LP")),
        ("appliance: {fuel: natural}", ("appliance.fuel", "natural gas")),
        ("plate: {manifold-pressure: {value: 3.5, unit: inches}}", ("plate.manifold-pressure.unit", "inH2O")),
        ("plate: {igniter-voltage: {value: 120, unit: V}}", ("plate.igniter-voltage.unit", "volt")),
        ("plate: {flame-signal: {value: 2, unit: microamps}}", ("plate.flame-signal.unit", "microampere")),
        ("plate: {supply-temperature: {value: 150, unit: °F}}", ("plate.supply-temperature.unit", "degF")),
        ("plate: {input-rate: {value: 80000, unit: Btu/h}}", ("plate.input-rate.unit", "Btu_per_hour")),
    ],
)
def test_a_job_file_takes_the_words_that_people_write(tmp_path, written, taken):
    whole = {"site": "x", "technician": {"name": "y"}, "appliance": {"description": "z", "ignition": "hot surface"}}
    (tmp_path / "job.yaml").write_text(written + "\n", encoding="utf-8")
    draft = read_draft(tmp_path / "job.yaml")
    appliance = {"fuel": "LP", **whole["appliance"], **draft.pop("appliance", {})}
    found = Job.model_validate({**whole, **draft, "appliance": appliance}).model_dump()
    for key in taken[0].split("."):
        found = found[key]
    assert found == taken[1]
