"""How often near commands are proposed, by the threshold: where they should be, and where they should not.

    python tests/bench/proposals.py

Near: forms of commands with one word lost, doubled, or heard as another word of the grammars. Talk: strings of
words of the grammars that are no answer, 2 to 5 long. Right is the command that was meant.
"""

from __future__ import annotations

from random import Random

from rapidfuzz import fuzz, process

from assistant.files import library
from assistant.language.meaning import Question, Unclear
from assistant.language.utterance import NEVER_PROPOSED

THRESHOLDS = (70, 75, 80, 85, 90)


def main() -> None:
    """Prints the table."""
    shelf, draw = library(), Random(1)
    language, grammar = shelf.language, shelf.grammar
    words = sorted({w for rules in grammar.public.values() for r in rules for w in grammar.words(r)})
    question = next(iter(shelf.quantities.values()))
    forms = {s: r.replace("_", "-") for r in grammar.public["commands"] for s in grammar.sentences(r)}
    forms = {s: c for s, c in forms.items() if c not in NEVER_PROPOSED}

    asked = Question(question.name, question)
    near: list[tuple[str, str]] = []
    for sentence, command in forms.items():
        said = sentence.split()
        for at in range(len(said)):
            other = draw.choice(words)
            for changed in (
                [*said[:at], *said[at + 1 :]],
                [*said[: at + 1], *said[at:]],
                [*said[:at], other, *said[at + 1 :]],
            ):
                text = " ".join(changed)
                if len(changed) > 1 and isinstance(language.understand(text, asked), Unclear):
                    near.append((text, command))
    talk = [" ".join(draw.choices(words, k=draw.randint(2, 5))) for _ in range(5000)]
    talk = [text for text in talk if isinstance(language.understand(text, asked), Unclear)]
    print(f"{len(near)} near, {len(talk)} talk")
    for threshold in THRESHOLDS:
        best = [(process.extractOne(t, forms.keys(), scorer=fuzz.ratio, score_cutoff=threshold), c) for t, c in near]
        right = sum(found is not None and forms[found[0]] == command for found, command in best)
        wrong = sum(found is not None and forms[found[0]] != command for found, command in best)
        false = sum(
            process.extractOne(t, forms.keys(), scorer=fuzz.ratio, score_cutoff=threshold) is not None for t in talk
        )
        print(
            f"{threshold}: right {right / len(near):.1%}, wrong {wrong / len(near):.1%}, talk {false / len(talk):.2%}"
        )


if __name__ == "__main__":
    main()
