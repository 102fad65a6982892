"""How many random visits come to the gate, and whether one of them ever gets past it. Run: make bench-gate

Each walk is a visit of mostly good answers by `tests/dialogue/test_gate.py`; every second one is aimed at a finding
that forbids something.
"""

from __future__ import annotations

import sys
from collections import Counter
from pathlib import Path
from random import Random

TESTS = Path(__file__).parent.parent
sys.path[:0] = [str(TESTS), str(TESTS / "dialogue"), str(TESTS.parent / "audio_fixtures")]

from test_gate import Wanderer, forbidding, procedures  # noqa: E402

SEEDS = 20


def main(seeds: int) -> None:
    """Walks every procedure, and prints what was counted."""
    counted: Counter[str] = Counter()
    for name, procedure in procedures().items():
        for seed in range(seeds):
            technician = Wanderer(procedure, seed=1000 + seed)
            try:
                if seed % 2:
                    _, step, outcome = Random(seed).choice(forbidding(technician))
                    technician.aim(step, outcome, 250)
                else:
                    technician.wander(400)
            except AssertionError as wrong:
                counted["got past the gate"] += 1
                print(f"{name}, seed {1000 + seed}: {wrong}")
            counted["walks"] += 1
            counted["times at the gate"] += sum(note.kind == "barred" for note in technician.notes)
            counted["repairs"] += sum(note.kind == "repair" for note in technician.notes)
    print(", ".join(f"{what}: {number}" for what, number in counted.items()))
    sys.exit(2 if counted["got past the gate"] else 0)


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else SEEDS)
