"""The synthetic voices that may be trained on, and how each engine is run."""

from __future__ import annotations

import ctypes
import random
import subprocess
import tempfile
from pathlib import Path

import numpy as np
import soundfile as sf
from numpy.typing import NDArray

Wave = NDArray[np.float32]

# Kept wholly out of training, to measure with: three Kokoro voices and one flite voice of those that may be used.
HELD_OUT = ("kokoro:am_onyx", "kokoro:af_river", "kokoro:bm_daniel", "flite:slt")

KOKORO_ENGLISH = [
    "af_alloy",
    "af_bella",
    "af_jessica",
    "af_nicole",
    "af_sky",
    "am_adam",
    "am_eric",
    "am_liam",
    "am_santa",
    "bf_alice",
    "bf_isabella",
    "bm_fable",
]
KOKORO_ACCENTS = ["ef_dora", "hm_omega", "if_sara", "zm_yunxi"]
FLITE = ["kal16", "rms"]
ESPEAK_ACCENTS = ["en-us", "en-us", "en", "en-gb-scotland", "en-gb-x-rp", "en-029"]
ESPEAK_VARIANTS = [f"m{i}" for i in range(1, 9)] + [f"f{i}" for i in range(1, 6)]

Blend = tuple[str, str, float]


def random_kokoro(rng: random.Random) -> Blend:
    """Two voices and the share of the first: often a blend, so that there are many speakers."""
    first = rng.choice([*KOKORO_ENGLISH, *(v for v in KOKORO_ENGLISH if v.startswith("b"))])  # few are British
    kind = rng.random()
    if kind < 0.30:
        return first, first, 1.0
    if kind < 0.40:
        first = rng.choice(KOKORO_ACCENTS)
        return first, first, 1.0
    second = rng.choice(KOKORO_ACCENTS if kind < 0.62 else KOKORO_ENGLISH)
    return first, second, round(rng.uniform(0.2, 0.8), 2)


def word_speakers(rng: random.Random, blends: int = 26) -> list[Blend]:
    """The speakers that say single words for joined readings: each voice, and some blends."""
    alone = [(v, v, 1.0) for v in (*KOKORO_ENGLISH, *KOKORO_ACCENTS)]
    return alone + [
        (*rng.sample([*KOKORO_ENGLISH, *KOKORO_ACCENTS], 2), round(rng.uniform(0.3, 0.7), 2)) for _ in range(blends)
    ]


def accent_of(blend: Blend) -> str:
    """espeak-ng's name of the accent that a Kokoro voice speaks: British names begin with b."""
    return "en-gb-x-rp" if blend[0].startswith("b") else "en-us"


class Phonemizer:
    """espeak-ng's text to IPA, through its C library."""

    def __init__(self, library: str = "libespeak-ng.so.1"):
        self.lib = ctypes.CDLL(library)
        self.lib.espeak_TextToPhonemes.restype = ctypes.c_char_p
        self.lib.espeak_TextToPhonemes.argtypes = [ctypes.POINTER(ctypes.c_char_p), ctypes.c_int, ctypes.c_int]
        if self.lib.espeak_Initialize(2, 0, None, 0) < 0:
            raise RuntimeError("espeak-ng does not start")

    def __call__(self, text: str, accent: str) -> str:
        """The IPA of `text` in an accent such as en-us; ValueError where espeak-ng has none of that name."""
        if self.lib.espeak_SetVoiceByName(accent.encode()):  # it would go on with the voice before
            raise ValueError(f"espeak-ng has no voice {accent!r}")
        rest = ctypes.c_char_p(text.encode())
        clauses = []
        while rest.value:
            clauses.append(self.lib.espeak_TextToPhonemes(ctypes.byref(rest), 1, 2).decode())
        return ", ".join(" ".join(c.split()) for c in clauses if c.strip()).replace("_", "")


def kokoro_ids(ipa: str, vocabulary: dict[str, int]) -> list[int]:
    """Kokoro's tokens for IPA text."""
    ipa = ipa.replace("r", "ɹ").replace("x", "k").replace("ɬ", "l")
    return [vocabulary[c] for c in ipa if c in vocabulary]


def _run(command: list[str]) -> tuple[Wave, int]:
    with tempfile.TemporaryDirectory() as folder:
        path = str(Path(folder) / "out.wav")
        subprocess.run([c.replace("OUT", path) for c in command], check=True, capture_output=True)
        wave, rate = sf.read(path, dtype="float32")
        return wave, rate


def flite(text: str, voice: str, stretch: float) -> tuple[Wave, int]:
    """One utterance by flite; a stretch above 1 is slower."""
    return _run(["flite", "-voice", voice, "--setf", f"duration_stretch={stretch}", "-t", text, "-o", "OUT"])


def espeak(text: str, voice: str, speed: int, pitch: int) -> tuple[Wave, int]:
    """One utterance by espeak-ng, at a speed in words a minute."""
    return _run(["espeak-ng", "-v", voice, "-s", str(speed), "-p", str(pitch), "-w", "OUT", text])


def pico(texts: list[str]) -> list[tuple[Wave, int]]:
    """Texts by the American voice of SVOX Pico (the package py-nanotts)."""
    from py_nanotts import NanoTTS

    engine = NanoTTS()
    return [(np.frombuffer(engine.speak(t, voice="en-US"), "<i2").astype(np.float32) / 32768, 16000) for t in texts]


def festival(texts: list[str], stretch: float) -> list[tuple[Wave, int]]:
    """Many texts with the voice ked in one go (festival is slow to start)."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        lines = ["(voice_ked_diphone)", f"(Parameter.set 'Duration_Stretch {stretch})"]
        for i, text in enumerate(texts):
            lines.append(f'(utt.save.wave (utt.synth (Utterance Text "{text}")) "{folder}/{i}.wav" \'riff)')
        script = folder / "all.scm"
        script.write_text("\n".join(lines) + "\n", encoding="ascii")
        subprocess.run(["festival", "-b", str(script)], check=True, capture_output=True)
        return [sf.read(folder / f"{i}.wav", dtype="float32") for i in range(len(texts))]
