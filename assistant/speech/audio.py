"""Sound in memory and in files.

Sound is 16-bit mono everywhere inside the program: that is what microphones give, recognizers take and FLAC
keeps without loss. Other kinds are turned into it at the moment they are read.
"""

from __future__ import annotations

import io
import os
import re
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

import numpy as np
import soundfile
import soxr
from numpy.typing import NDArray

from assistant.errors import Problem
from assistant.places import write_whole

LOWEST_RATE_HZ = 8_000
HIGHEST_RATE_HZ = 192_000

Samples = NDArray[np.int16]
"""Mono sound, of shape (n,)."""

FULL_SCALE = 32_768
"""One past the loudest positive sample; -FULL_SCALE is the loudest negative one."""

# Of int16's full scale, 50 dB below it: quieter is no voice.
_SILENT = 100
_BLOCK_FRAMES = 65_536
# Three months at the highest rate; a FLAC whose length is not known states far more.
_MOST_FRAMES = 2**40
# A size in a header from here up is what writers to a pipe put there for "not known".
_UNKNOWN_SIZE = 0x7FFF_F000
# Headers of sound files are off by a few bytes (padding) without any sound missing.
_SIZE_SLACK_BYTES = 8
# The length of an MP3 without an index is estimated; other formats state it exactly.
_LENGTH_SLACK = 0.01


@dataclass(frozen=True, eq=False)
class Audio:
    """Mono sound: `samples` of shape (n,), int16, `rate_hz` samples a second."""

    samples: Samples
    rate_hz: int

    def __post_init__(self) -> None:
        if self.samples.ndim != 1 or self.samples.dtype != np.int16:
            raise ValueError(f"samples must be mono int16, not {self.samples.dtype} {self.samples.shape}")

    @property
    def seconds(self) -> float:
        """Length in seconds."""
        return len(self.samples) / self.rate_hz


def read_audio(path: Path) -> Audio:
    """Read a sound file of any kind known, several channels averaged to mono, at its own rate.

    Floating point values beyond full scale are clipped. Raises Problem for a file that is missing, a folder,
    unreadable, not sound, damaged, cut short, empty, or sampled outside 8 000 to 192 000 Hz.
    """
    if path.is_dir():
        raise Problem(f"{path} is a folder; give one recording in it.")
    try:
        path.open("rb").close()
    except FileNotFoundError:
        raise Problem(f"{path} is not there; give the path of a recording.") from None
    except OSError as error:
        raise Problem(f"{path} could not be opened ({error.strerror}); choose one you may read.") from None
    try:
        with _no_decoder_lines(), soundfile.SoundFile(path) as file:
            rate_hz, stated_frames = file.samplerate, file.frames
            if not LOWEST_RATE_HZ <= rate_hz <= HIGHEST_RATE_HZ:
                raise Problem(
                    f"{path} is sampled at {rate_hz} Hz; give a recording of {LOWEST_RATE_HZ} to {HIGHEST_RATE_HZ} Hz."
                )
            if stated_frames > _MOST_FRAMES:
                raise Problem(
                    f"{path} does not state its length, as sound written to a pipe; write it to a file and give that."
                )
            cut_short = _is_cut_short(file.extra_info)
            samples = _read_mono(file)
    # TypeError: a name that ends in .raw is taken for sound without a header.
    except (soundfile.SoundFileError, TypeError, _NotSoundError):
        if kind := _kind_not_read(path):
            raise Problem(f"{path} is {kind}, which is not supported; give WAV, FLAC, Ogg, AIFF or MP3.") from None
        raise Problem(f"{path} is not sound or is damaged; give an intact WAV or FLAC recording.") from None
    if cut_short or len(samples) < (1 - _LENGTH_SLACK) * stated_frames:
        raise Problem(f"{path} ends before the length that it states; copy it again from where it came.")
    if not len(samples):
        raise Problem(f"{path} holds no sound; record it again.")
    return Audio(samples, rate_hz)


def resample(audio: Audio, rate_hz: int) -> Audio:
    """Return the same sound at `rate_hz`; the very same object where it has that rate already."""
    if audio.rate_hz == rate_hz:
        return audio
    # In floating point: on integers the library adds dither seeded by the clock, and the same sound would not
    # give the same samples twice.
    return Audio(to_int16(soxr.resample(audio.samples.astype(np.float32), audio.rate_hz, rate_hz)), rate_hz)


def to_int16(samples: NDArray[np.float32]) -> Samples:
    """Round samples to int16, those beyond full scale clipped; full scale is 32 768, not 1."""
    return np.clip(np.rint(samples), -FULL_SCALE, FULL_SCALE - 1).astype(np.int16)


def louder(audio: Audio, gain_db: float) -> Audio:
    """The sound louder by `gain_db` (below 0: quieter), clipped at full scale."""
    if not gain_db:
        return audio
    return Audio(to_int16(audio.samples.astype(np.float32) * np.float32(10 ** (gain_db / 20))), audio.rate_hz)


def joined(first: Audio, then: Audio) -> Audio:
    """One sound after the other. Raises ValueError where their rates differ."""
    if first.rate_hz != then.rate_hz:
        raise ValueError(f"sounds of {first.rate_hz} Hz and {then.rate_hz} Hz are not joined")
    return Audio(np.concatenate([first.samples, then.samples]), first.rate_hz)


def without_silent_end(audio: Audio, keep_s: float) -> Audio:
    """The sound without the silence at its end, but for `keep_s` seconds of it."""
    loud = np.flatnonzero(np.abs(audio.samples.astype(np.int32)) > _SILENT)
    end = loud[-1] + 1 if len(loud) else 0
    return Audio(audio.samples[: end + round(keep_s * audio.rate_hz)], audio.rate_hz)


def write_flac(path: Path, audio: Audio) -> None:
    """Write the sound as FLAC, without loss; under `path` there is ever the whole file or what was there before.

    Raises NotWritten where it cannot be written and ValueError where there are no samples.
    """
    write_whole(path, _flac([audio.samples], channels=1, rate_hz=audio.rate_hz))


Side = Literal["people", "assistant"]


class VisitTrack:
    """The sound of a visit in two channels: people left, the assistant right.

    Each addition goes to the end of the time line, and the other side is silent meanwhile: the assistant
    does not speak and listen at once. Samples are int16 of shape (n,) at `rate_hz`; an hour at 16 kHz takes
    115 MB of memory.
    """

    def __init__(self, rate_hz: int) -> None:
        self.rate_hz = rate_hz
        self._pieces: list[tuple[Side, Samples]] = []

    def add(self, side: Side, samples: Samples) -> None:
        """Append what the microphone heard, or what the assistant said."""
        self._pieces.append((side, Audio(samples, self.rate_hz).samples.copy()))

    @property
    def seconds(self) -> float:
        """Length of the time line so far, in seconds."""
        return sum(len(samples) for _, samples in self._pieces) / self.rate_hz

    def write(self, path: Path) -> None:
        """Write the track as a FLAC file of two channels, whole or not at all.

        Raises NotWritten where it cannot be written and ValueError where nothing was added yet.
        """
        write_whole(path, _flac(map(_on_side, self._pieces), channels=2, rate_hz=self.rate_hz))


NOT_READ = (
    (4, b"ftyp", "sound in an MP4 container (m4a, aac, 3gp)"),
    (0, b"\x1aE\xdf\xa3", "sound in a Matroska container (webm)"),
    (0, b"\x30\x26\xb2\x75", "Windows Media sound"),
    (0, b"#!AMR", "AMR sound"),
    (0, b"\xff\xf1", "AAC sound"),
)
"""Where a file of a kind that libsndfile does not read has which bytes, and what it is."""


def _kind_not_read(path: Path) -> str:
    head = path.open("rb").read(16)
    return next((kind for at, sign, kind in NOT_READ if head[at:].startswith(sign)), "")


@contextmanager
def _no_decoder_lines() -> Iterator[None]:
    """The MP3 decoder writes to standard error by itself, beside the one sentence that is said of a damaged file."""
    with Path(os.devnull).open("wb") as nowhere:
        kept = os.dup(2)
        try:
            os.dup2(nowhere.fileno(), 2)
            yield
        finally:
            os.dup2(kept, 2)
            os.close(kept)


class _NotSoundError(Exception):
    """Values in the file that no sound has."""


def _read_mono(file: soundfile.SoundFile) -> Samples:
    # In blocks, because in floating point and all channels a long recording takes many times its memory.
    blocks = [np.zeros(0, np.int16)]
    while len(block := file.read(_BLOCK_FRAMES, dtype="float32", always_2d=True)):
        mono = block.mean(axis=1)
        if not np.isfinite(mono).all():
            raise _NotSoundError
        blocks.append(to_int16(mono * FULL_SCALE))
    return np.concatenate(blocks)


def _is_cut_short(log: str) -> bool:
    # A WAV, AIFF or Ogg that was cut off opens without an error and is short; only the reader's log tells.
    if "lacks an end-of-stream bit" in log:
        return True
    sizes = re.findall(r"(\d+) \(should be (\d+)\)", log)
    return any(int(held) + _SIZE_SLACK_BYTES < int(stated) < _UNKNOWN_SIZE for stated, held in sizes)


def _on_side(piece: tuple[Side, Samples]) -> NDArray[np.int16]:
    side, samples = piece
    silent = np.zeros_like(samples)
    return np.stack([samples, silent] if side == "people" else [silent, samples], axis=1)


def _flac(pieces: Iterable[NDArray[np.int16]], channels: int, rate_hz: int) -> bytes:
    # Encoded in memory: a full disk then shows as an OSError with its reason, not as a damaged file.
    buffer = io.BytesIO()
    frames = 0
    with soundfile.SoundFile(buffer, "w", rate_hz, channels, "PCM_16", format="FLAC") as file:
        for samples in pieces:
            file.write(samples)
            frames += len(samples)
    if not frames:
        raise ValueError("a FLAC file without samples cannot be read again")
    return buffer.getvalue()
