"""Synthesizes the training speech of the light engines: flite, festival, Pico and espeak-ng.

python make_small_voices.py flite 3000 1 data/flite_1

Every voice also says each word of words.JOINED alone: rows of joined readings are made from these.
"""

from __future__ import annotations

import random
import sys
from collections.abc import Iterator

import shards
import voices
import words

Said = tuple[list[str], str, voices.Wave, int]


def chunks(items: list[list[str]], size: int) -> Iterator[list[list[str]]]:
    """The items in runs of `size`."""
    for at in range(0, len(items), size):
        yield items[at : at + size]


def speak(engine: str, name: str, todo: list[list[str]], rng: random.Random) -> Iterator[Said]:
    """Each text by the voice `name` of an engine, at paces of 0.75 to 1.35."""
    say = [words.spoken_text(text, rng) for text in todo]
    if engine == "festival":
        made = voices.festival(say, round(rng.uniform(0.75, 1.3), 2))
    elif engine == "pico":
        made = voices.pico(say)
    elif engine == "flite":
        made = [voices.flite(s, name, round(rng.uniform(0.75, 1.35), 2)) for s in say]
    else:
        made = [voices.espeak(s, name, rng.randint(110, 210), rng.randint(20, 75)) for s in say]
    for text, (wave, rate) in zip(todo, made, strict=True):
        yield text, f"{engine}:{name}", wave, rate


def names(engine: str, rng: random.Random) -> list[str]:
    """The voices of an engine; of espeak-ng's many, twelve."""
    if engine == "espeak":
        return [f"{rng.choice(voices.ESPEAK_ACCENTS)}+{v}" for v in voices.ESPEAK_VARIANTS[:12]]
    return {"flite": voices.FLITE, "festival": ["ked"], "pico": ["en-US"]}[engine]


def speech(engine: str, count: int, seed: int) -> Iterator[Said]:
    """`count` random sentences, and the single words by each voice."""
    rng, general, job = random.Random(seed), words.common_words(12000), words.job_words()
    known = names(engine, rng)
    for part in chunks([words.sentence(rng, general, job) for _ in range(count)], 40):
        if engine == "espeak":
            for text in part:
                name = f"{rng.choice(voices.ESPEAK_ACCENTS)}+{rng.choice(voices.ESPEAK_VARIANTS)}"
                yield from speak(engine, name, [text], rng)
        else:
            yield from speak(engine, rng.choice(known), part, rng)
    for name in known:
        yield from speak(engine, name, [[w] for w in words.JOINED], rng)


def main(engine: str, count: int, seed: int, out: str) -> None:
    """Writes one shard."""
    made = ((" ".join(text), voice, shards.tidy(wave, rate)) for text, voice, wave, rate in speech(engine, count, seed))
    hours = shards.write(out, (m for m in made if len(m[2]) > 0.15 * shards.RATE))
    print(out, round(hours, 2), "hours")


if __name__ == "__main__":
    main(sys.argv[1], int(sys.argv[2]), int(sys.argv[3]), sys.argv[4])
