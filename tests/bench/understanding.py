"""How long it takes to understand words: 100,000 random word strings at random questions, and the slowest.

    python tests/bench/understanding.py [COUNT]

Prints counts by outcome, the mean, the 99th percentile and the slowest. Any crash ends it.
"""

from __future__ import annotations

import sys
import time
from collections import Counter
from random import Random

from assistant.files import library
from assistant.language.heard import Heard
from assistant.language.meaning import Question, Unclear

LONGEST = 10  # words in a string


def main() -> None:
    """Runs the bench."""
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 100_000
    shelf, draw = library(), Random(1)
    language = shelf.language
    words = sorted({w for rules in language.grammar.public.values() for r in rules for w in language.grammar.words(r)})
    words.append("[unk]")
    questions = [Question(q.name, q) for q in shelf.quantities.values()] + [Question("told")]
    outcomes: Counter[str] = Counter()
    times: list[tuple[float, str]] = []
    for _ in range(count):
        text = " ".join(draw.choices(words, k=draw.randint(1, LONGEST)))
        question = draw.choice(questions)
        began = time.perf_counter()
        meaning = language.understand(text, question)
        language.confirm(Heard(text), meaning, question)
        times.append((time.perf_counter() - began, text))
        outcomes[meaning.reason if isinstance(meaning, Unclear) else type(meaning).__name__.lower()] += 1
    times.sort()
    for outcome, times_seen in outcomes.most_common():
        print(f"{outcome:16} {times_seen:8}")
    print(f"mean {1000 * sum(t for t, _ in times) / count:.2f} ms, 99 % {1000 * times[int(count * 0.99)][0]:.2f} ms")
    for seconds, text in times[-3:]:
        print(f"{1000 * seconds:8.1f} ms  {text}")


if __name__ == "__main__":
    main()
