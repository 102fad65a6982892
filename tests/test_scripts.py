"""What the make targets run beside the tests can be started."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

TESTS = Path(__file__).parent
SCRIPTS = (*sorted((TESTS / "bench").glob("*.py")), TESTS / "torture.py", TESTS / "corpus" / "make.py")


@pytest.mark.parametrize("script", SCRIPTS, ids=lambda path: path.name)
def test_a_script_finds_all_that_it_imports(script):
    code = "import runpy, sys; sys.path[0] = sys.argv[1]; runpy.run_path(sys.argv[2], run_name='imported')"
    command = [sys.executable, "-c", code, str(script.parent), str(script)]
    done = subprocess.run(command, capture_output=True, text=True, timeout=60, cwd=TESTS.parent, check=False)
    assert (done.returncode, done.stdout, done.stderr) == (0, "", "")
