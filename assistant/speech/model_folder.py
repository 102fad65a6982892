"""What a model's folder must hold before it may hear a reading."""

from __future__ import annotations

import re
from pathlib import Path

from assistant.errors import Problem
from assistant.speech.unpack import ARCHIVE_SUFFIXES

NEEDED_IN_MODEL = ("am/final.mdl", "conf/model.conf", "graph/HCLr.fst", "graph/Gr.fst")
RATE_HZ = 16000  # of the samples that a model is to be made for
RUN_TIME_GRAPH = {"graph/HCLr.fst", "graph/Gr.fst"}


def own_name(source: Path) -> str:
    """The name that an archive or a folder gives to its model."""
    name = source.resolve().name
    suffix = next((suffix for suffix in ARCHIVE_SUFFIXES if name.lower().endswith(suffix)), "")
    return name[: len(name) - len(suffix)] if source.is_file() else name


def model_root(unpacked: Path) -> Path:
    """The model's folder in what was unpacked: most archives hold one folder, and all else in it."""
    inside = list(unpacked.iterdir())
    return inside[0] if len(inside) == 1 and inside[0].is_dir() else unpacked


def fixed_graph(name: str) -> Problem:
    """The refusal of a model that cannot be told which words to expect (SPEECH V9)."""
    return Problem(
        f"{name} cannot be told which words a question allows, because its graph is fixed (there is no "
        f"{' or no '.join(sorted(RUN_TIME_GRAPH))}); choose another from: assistant models list."
    )


def check_model(name: str, folder: Path) -> None:
    """Raises Problem when it is no Vosk model, has a fixed graph or was made for another sample rate."""
    lacking = {file for file in NEEDED_IN_MODEL if not (folder / file).is_file()}
    if lacking - RUN_TIME_GRAPH:
        raise Problem(f"{name} is not a model for Vosk: it lacks {', '.join(sorted(lacking))}; get a whole one.")
    if lacking:
        raise fixed_graph(name)
    # Sound at another rate than the model's is misheard without an error (SPEECH V14). Unsaid, it is 16 kHz.
    mfcc = folder / "conf" / "mfcc.conf"
    text = mfcc.read_text(encoding="utf-8", errors="replace") if mfcc.is_file() else ""
    rate = re.search(r"^\s*--sample-frequency=([\d.]+)", text, re.MULTILINE)
    if rate and rate[1] not in (f"{RATE_HZ}", f"{RATE_HZ}.0"):
        raise Problem(f"{name} is for sound at {rate[1]} Hz; get a model for {RATE_HZ} Hz.")
