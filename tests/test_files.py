"""Data files that people write: each mistake is one sentence with its place."""

import pytest
from own_procedure import own_procedure

from assistant.errors import Problem
from assistant.files import TRADE_DATA, read_draft, read_yaml


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ('next: {"no": isolate}', 'next: {"no": nowhere}', "goes to 'nowhere'"),
        ("hazards: [lock-out]", "hazards: [lock-in]", "not in the hazards file"),
        ("title: proved dead\n", "titel: proved dead\n", "steps.4.titel: no such key"),
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
