"""How long the commands take to start, beside a Python that does nothing: medians of seconds, printed, never asserted.

    python tests/bench/start.py [RUNS]

Wall time on a machine that does other work says little; the processor's time is steadier.
"""

from __future__ import annotations

import resource
import subprocess
import sys
import time
from statistics import median

WHAT = {
    "python -c pass": ["-c", "pass"],
    "assistant --help": ["-m", "assistant", "--help"],
    "assistant --version": ["-m", "assistant", "--version"],
    "assistant demo --help": ["-m", "assistant", "demo", "--help"],
    "assistant models list": ["-m", "assistant", "models", "list"],
    "assistant work-out": ["-m", "assistant", "work-out"],
    "assistant understand": ["-m", "assistant", "understand", "one twenty ohms", "-q", "igniter-resistance"],
}


def seconds(arguments: list[str]) -> tuple[float, float]:
    """One run: by the clock, and of the processor."""
    before, began = resource.getrusage(resource.RUSAGE_CHILDREN), time.perf_counter()
    subprocess.run([sys.executable, *arguments], stdout=subprocess.DEVNULL, check=True)
    wall, after = time.perf_counter() - began, resource.getrusage(resource.RUSAGE_CHILDREN)
    return wall, after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime


def main(runs: int) -> None:
    """Prints the figures."""
    print("| | wall, s | processor, s |\n|---|---|---|")
    for name, arguments in WHAT.items():
        walls, processors = zip(*(seconds(arguments) for _ in range(runs)), strict=True)
        print(f"| {name} | {median(walls):.2f} | {median(processors):.2f} |", flush=True)


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 10)
