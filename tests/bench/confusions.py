"""Which number words are heard for which: writes the table by which the assistant asks (language/confused.py).

    python tests/bench/hearing.py --out build/heard.json
    python tests/bench/confusions.py build/heard.json [--write]

Counts, in what voices and people said that no training heard, in quiet and with the noise at least 10 dB below, how
often a number word was heard as another number word. A pair is asked about from LEAST times and SHARE of the times
that either was said; two words that are never confused cost no ask.
"""

from __future__ import annotations

import argparse
import json
from collections import Counter
from pathlib import Path

from rapidfuzz.distance import Levenshtein
from spoken_readings import DIGITS, TEENS, TENS

ROOT = Path(__file__).resolve().parents[2]
TABLE = ROOT / "assistant" / "language" / "confused.py"
LEAST, SHARE = 2, 0.01
NOISE = (None, 20, 10)
HEAD = '''"""Number words that are heard for each other, as measured: written by `make confusions`, do not edit."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Confused:
    """Two words that are heard for each other, either way."""

    one: str
    other: str
    times: int  # that one was heard as the other
    said: int  # times that either was said


# Voices and people that the bundled model was not trained on, in quiet and in blower noise of 20 and 10 dB.
CONFUSED = (
'''


def count(outcomes: list[dict[str, object]]) -> tuple[Counter[frozenset[str]], Counter[str]]:
    """How often each pair was confused, and how often each word was said."""
    numbers = {*DIGITS, *TEENS, *TENS, "oh"}
    confused: Counter[frozenset[str]] = Counter()
    said: Counter[str] = Counter()
    for outcome in outcomes:
        if outcome["snr"] not in NOISE:
            continue
        truth, heard = str(outcome["text"]).split(), str(outcome["heard"]).split()
        said.update(word for word in truth if word in numbers)
        for change in Levenshtein.editops(truth, heard):
            if change.tag == "replace":
                pair = {truth[change.src_pos], heard[change.dest_pos]}
                if pair <= numbers:
                    confused[frozenset(pair)] += 1
    return confused, said


def main() -> None:
    """Prints the pairs; writes the table if told to."""
    ap = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    ap.add_argument("heard", type=Path, nargs="+")
    ap.add_argument("--write", action="store_true")
    a = ap.parse_args()
    confused, said = count([o for path in a.heard for o in json.loads(path.read_text(encoding="utf-8"))])
    lines = []
    for pair, times in sorted(confused.items(), key=lambda item: (-item[1], sorted(item[0]))):
        one, other = sorted(pair)
        total = said[one] + said[other]
        asked = times >= LEAST and times >= SHARE * total
        print(f"{one} / {other}: {times} of {total}{'' if asked else ' (not asked)'}")
        if asked:
            lines.append(f'    Confused("{one}", "{other}", {times}, {total}),\n')
    if a.write:
        TABLE.write_text(HEAD + "".join(lines) + ")\n", encoding="utf-8")


if __name__ == "__main__":
    main()
