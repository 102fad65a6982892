"""The layers: what `make check` holds the imports to, and that it finds what breaks them."""

import ast
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

TOP = Path(__file__).parent.parent
PURE = ("dialogue", "language", "trade", "wording")
IMPURE = {"open", "print", "input", "breakpoint", "exec", "eval", "__import__"}
"""Builtins that reach files, people or modules without an import."""


def impure(text: str) -> set[str]:
    """The builtins of `IMPURE` that a module names."""
    return {node.id for node in ast.walk(ast.parse(text)) if isinstance(node, ast.Name) and node.id in IMPURE}


def test_the_core_calls_no_builtin_that_reaches_out():
    modules = [path for name in PURE for path in (TOP / "assistant" / name).rglob("*.py")]
    assert len(modules) > len(PURE)
    assert {f"{path}": found for path in modules if (found := impure(path.read_text(encoding="utf-8")))} == {}


@pytest.mark.parametrize("name", sorted(IMPURE))
def test_such_a_call_is_found(name):
    assert impure(f"def f(x):\n    g = {name}\n    return g(x)") == {name}
    assert impure(f"class A:\n    def {name}(self):\n        return self.{name}") == set()


BAD = {
    "extra.py": "",  # in no layer
    "trade/up.py": "import assistant.dialogue.state\n",
    "language/places.py": "import assistant.places\n",  # which knows files
    "errors.py": "import subprocess\n",
    "dialogue/by_a_way.py": "import assistant.errors\n",  # a layer below, which is no way out either
    "wording/clock.py": "import time\n",
    "speech/talks.py": "import assistant.wording.english\n",
}
"""What breaks the layers, and the module that it is put into, or that it is."""


@pytest.fixture(scope="module")
def told(tmp_path_factory) -> str:
    """What lint-imports says of the package with these modules in it."""
    folder = tmp_path_factory.mktemp("layers")
    shutil.copytree(TOP / "assistant", folder / "assistant", ignore=shutil.ignore_patterns("__pycache__"))
    shutil.copy(TOP / "pyproject.toml", folder)
    for name, text in BAD.items():
        with (folder / "assistant" / name).open("a", encoding="utf-8") as module:
            module.write(f"\n{text}")
    command = [Path(sys.executable).with_name("lint-imports"), "--no-cache"]
    run = subprocess.run(
        command, cwd=folder, env={"PYTHONPATH": f"{folder}"}, capture_output=True, text=True, check=False
    )
    assert run.returncode == 1, run.stderr
    return " ".join(run.stdout.split())


@pytest.mark.parametrize(
    "says",
    [
        "The following modules are not listed as layers: - assistant.extra",
        "assistant.trade.up -> assistant.dialogue.state",
        "assistant.language.places -> assistant.places",
        "assistant.dialogue.by_a_way -> assistant.errors (l.2) assistant.errors -> subprocess",
        "assistant.wording.clock -> time",
        "assistant.speech.talks -> assistant.wording.english",
        "Contracts: 0 kept, 3 broken",
    ],
)
def test_what_breaks_the_layers_is_found(told, says):
    assert says in told


def test_the_dialogue_says_only_sentences_of_the_wording():
    """What is said comes from wording/ or from a data file: no call of `say` has words of its own."""
    own = [
        f"{path.name}: {ast.unparse(call)}"
        for path in sorted((TOP / "assistant" / "dialogue").glob("*.py"))
        for call in ast.walk(ast.parse(path.read_text(encoding="utf-8")))
        if isinstance(call, ast.Call) and isinstance(call.func, ast.Name) and call.func.id in ("say", "Say")
        for word in ast.walk(call.args[0])
        if isinstance(word, ast.Constant) and isinstance(word.value, str) and len(word.value.split()) > 1
    ]
    assert own == []
