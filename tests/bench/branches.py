"""Every branch of every procedure, taken by the simulated technician. Prints figures; run: make bench-branches

Exit status 1 when a branch was not taken, as in tests/dialogue/test_branches.py, which works four procedures.
"""

import sys
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[2] / "audio_fixtures"))
sys.path.insert(0, str(Path(__file__).parents[1]))

from simulated import Technician

from assistant.files import library


def main() -> None:
    """A line for each procedure."""
    print(f"{'procedure':48} {'steps':>5} {'branches':>8} {'taken':>6} {'visits':>6} {'seconds':>7}")
    totals = [0, 0]
    for name, procedure in sorted(library().procedures.items()):
        began = time.perf_counter()
        technician = Technician(procedure)
        technician.work_all()
        possible, taken = technician.possible, technician.possible & technician.taken
        totals = [totals[0] + len(possible), totals[1] + len(taken)]
        figures = f"{len(procedure.steps):5} {len(possible):8} {len(taken):6} {technician.visits:6}"
        print(f"{name:48} {figures} {time.perf_counter() - began:7.1f}", flush=True)
        for branch in sorted(possible - taken):
            print(f"    not taken: {': '.join(branch)}")
    print(f"{totals[1]} of {totals[0]} branches of {len(library().procedures)} procedures")
    sys.exit(totals[1] != totals[0])


if __name__ == "__main__":
    main()
