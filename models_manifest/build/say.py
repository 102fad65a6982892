"""Says texts by Kokoro voices that no training heard, for tests/bench to measure with.

    python say.py JOBS.json KOKORO_FOLDER

JOBS.json: a list of {"voice": "bm_daniel", "text": words, "pace": 1.0, "path": WAV}; what is there already is left.
KOKORO_FOLDER holds kokoro.onnx, voices.npz and vocab.json (`make kokoro`).
"""

from __future__ import annotations

import json
import sys
from pathlib import Path

import numpy as np
import soundfile as sf

import make_kokoro
import shards
import voices


def main(jobs: str, folder: Path) -> None:
    """Writes each text as a WAV file of 16 kHz."""
    table = json.loads((folder / "vocab.json").read_text(encoding="utf-8"))["vocab"]
    known = np.load(folder / "voices.npz")
    phonemize, model = voices.Phonemizer(), make_kokoro.session(str(folder / "kokoro.onnx"))
    for job in json.loads(Path(jobs).read_text(encoding="utf-8")):
        name, path = job["voice"], Path(job["path"])
        if f"kokoro:{name}" not in voices.HELD_OUT and name in {*voices.KOKORO_ENGLISH, *voices.KOKORO_ACCENTS}:
            raise SystemExit(f"{name} was trained on")
        if path.exists():
            continue
        ids = voices.kokoro_ids(phonemize(job["text"], voices.accent_of((name, name, 1.0))), table)
        item = {"ids": ids, "first": name, "second": name, "share": 1.0, "speed": job["pace"]}
        wave = make_kokoro.synthesize(model, {name: known[name].reshape(-1, 256)}, item)
        path.parent.mkdir(parents=True, exist_ok=True)
        sf.write(path, wave, shards.RATE)


if __name__ == "__main__":
    main(sys.argv[1], Path(sys.argv[2]))
