"""Makes the corpus: records of scripted visits as JSON Lines, for tests/test_corpus.py. Run: make corpus

Make it again when the dialogue is meant to decide otherwise, and read the difference before it is committed.
"""

from __future__ import annotations

import sys
import tempfile
from pathlib import Path

HERE = Path(__file__).parent
sys.path.insert(0, str(HERE.parent))

from doubles import TestClock  # noqa: E402
from scripted_ears import Person, open_visit  # noqa: E402
from scripted_visits import EVENTFUL  # noqa: E402

from assistant.review.export import to_jsonl  # noqa: E402

INTERRUPTED = {
    "arrival-air": ["[unk] what did you do there", "fifteen", "three parts per million"],
    "arrival-air confirming": ["no", "yes"],
    "odour": ["say again", "hold", "no"],
    "odour holding": ["one twenty", "what is the limit", "go on"],
    "rod-unlit": ["skip"],
    "ground-path": ["what is the limit", "I smell gas"],
}
"""Someone talks to somebody else, says no, holds, skips and meets an odour."""


def visit(name: str, *people: Person) -> None:
    """One visit; it is resumed by each person after the first."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "visit.sqlite"
        clock = TestClock()
        for person in people:
            work = open_visit(path, person, clock=clock)
            work.run()
            text = to_jsonl(work.record.rows())
            work.record.close()
    (HERE / f"{name}.jsonl").write_text(text, encoding="utf-8")
    print(f"{name}: {len(text.splitlines())} entries, {len(text) / 1000:.0f} kB")


if __name__ == "__main__":
    visit("eventful", Person(EVENTFUL, most=55))
    visit("interrupted", Person(INTERRUPTED, most=24), Person(INTERRUPTED, odd_in=3, seed=7, most=36))
