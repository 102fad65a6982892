"""Visits in which plausible things are said at random: whether each comes to its end. Run: make bench-fuzz

The walks are those of tests/dialogue/test_talk.py, 10,000 of them unless told otherwise.
"""

from __future__ import annotations

import sys
from pathlib import Path

TESTS = Path(__file__).parent.parent
sys.path[:0] = [str(TESTS), str(TESTS / "dialogue"), str(TESTS.parent / "audio_fixtures")]

from test_talk import wander  # noqa: E402

VISITS = 10_000


def main(visits: int) -> None:
    """Walks them, and names those that do not end; status 2 if there are any."""
    stuck = 0
    for seed in range(1000, 1000 + visits):
        _, why = wander(seed)
        if why:
            stuck += 1
            print(why)
    print(f"{visits} visits of random sayings, {stuck} did not end")
    sys.exit(2 if stuck else 0)


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else VISITS)
