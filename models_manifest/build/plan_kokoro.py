"""Plans the Kokoro speech: which text, which voices, which phonemes.

    python plan_kokoro.py VOCAB.json VOICES.npz 20000 1 data/kokoro_plan.json data/styles.npz

Needs espeak-ng; the synthesis itself (make_kokoro.py) then needs only onnxruntime.  Also writes the
styles of the training voices alone, so that no other voice can slip in.
"""

from __future__ import annotations

import json
import random
import sys
from pathlib import Path

import numpy as np

import voices
import words


def plan(table: dict[str, int], count: int, seed: int) -> list[dict[str, object]]:
    """`count` sentences by random voices, and the single words by each speaker, shuffled together."""
    rng, general, job = random.Random(seed), words.common_words(12000), words.job_words()
    phonemize = voices.Phonemizer()

    def item(text: list[str], blend: voices.Blend) -> dict[str, object]:
        ids = voices.kokoro_ids(phonemize(words.spoken_text(text, rng), voices.accent_of(blend)), table)
        return {
            "text": " ".join(text), "ids": ids, "first": blend[0], "second": blend[1], "share": blend[2],
            "speed": round(rng.uniform(0.75, 1.35), 2),
        }  # fmt: skip

    single = [item([w], speaker) for speaker in voices.word_speakers(rng) for w in words.JOINED]
    sentences = [item(words.sentence(rng, general, job), voices.random_kokoro(rng)) for _ in range(count)]
    head, rest = sentences[: count // 8], single + sentences[count // 8 :]
    rng.shuffle(rest)
    return head + rest


def main(vocabulary: str, all_styles: str, count: int, seed: int, out: str, styles: str) -> None:
    """Writes the plan and the styles."""
    table = json.loads(Path(vocabulary).read_text(encoding="utf-8"))["vocab"]
    Path(out).write_text(json.dumps(plan(table, count, seed), separators=(",", ":")), encoding="utf-8")
    known = np.load(all_styles)
    kept = {
        v: known[v].reshape(-1, 256)[:180].astype(np.float16) for v in (*voices.KOKORO_ENGLISH, *voices.KOKORO_ACCENTS)
    }
    np.savez_compressed(styles, **kept)


if __name__ == "__main__":
    main(sys.argv[1], sys.argv[2], int(sys.argv[3]), int(sys.argv[4]), sys.argv[5], sys.argv[6])
