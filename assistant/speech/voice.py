"""The assistant's voice: texts into sound.

A rendering counts only after it was read back and found to be sound of a plausible length and loudness;
silence never passes for speech. Each text is rendered by a fresh child process (voice_worker.py), and the
next child is started ahead, so that a new text costs the rendering only.
"""

from __future__ import annotations

import contextlib
import hashlib
import json
import logging
import subprocess
import sys
import tempfile
import threading
from collections.abc import Sequence
from importlib.metadata import version
from pathlib import Path
from typing import Literal, Self

import numpy as np

from assistant.errors import Problem
from assistant.speech.audio import FULL_SCALE, Audio, read_audio, without_silent_end, write_flac

# Measured with the bundled voice on 4 336 renderings: 1 039 phrases of technical English and 45 hard cases
# ("123456789", "W", "%"), each at 80, 165, 300 and 450 words a minute. Scaled to 165 words a minute, a letter
# or digit took 0.061 s or more and a character, with the pause after it, 0.99 s or less; the shortest
# rendering took 0.127 s; the weakest peak was 0.34 of full scale. The bounds leave room for other voices.
_PACE_OF_BOUNDS_WPM = 165
_SHORTEST_S = 0.05
_SHORTEST_S_A_LETTER = 0.025
_LONGEST_S = 1.0
_LONGEST_S_A_CHARACTER = 1.0
_LOWEST_PEAK = 0.05
# Left of the silence that ends a rendering: the bundled voice makes a third of a second of it, in which nobody is
# heard yet.
_SILENT_END_S = 0.05

_WORKER = Path(__file__).with_name("voice_worker.py")
_LOG = logging.getLogger(__name__)


class VoiceError(Exception):
    """A text could not be turned into speech; the message is one sentence with the reason."""


Engine = Literal["bundled", "system"]
"""The bundled voice is the same everywhere; a system need not have one."""

RATE_WPM = 165


def implausible(text: str, audio: Audio, rate_wpm: int) -> str | None:
    """Say what is wrong with a rendering of `text`, or None where it can be those words."""
    peak = int(np.abs(audio.samples.astype(np.int32)).max(initial=0)) / FULL_SCALE
    if peak < _LOWEST_PEAK:
        return "the rendering is silent"
    letters = sum(character.isalnum() for character in text)
    characters = sum(not character.isspace() for character in text)
    pace = _PACE_OF_BOUNDS_WPM / rate_wpm
    if audio.seconds < max(_SHORTEST_S, _SHORTEST_S_A_LETTER * letters * pace):
        return f"the rendering is too short for the text ({audio.seconds:.2f} s)"
    if audio.seconds > _LONGEST_S + _LONGEST_S_A_CHARACTER * characters * pace:
        return f"the rendering is too long for the text ({audio.seconds:.2f} s)"
    return None


class Voice:
    """Turns texts into speech in a child process, with every text rendered once kept in `cache_folder`.

    A context manager; `render` may be called from any thread. A child that gives no answer within
    `timeout_s`, dies or renders nonsense is ended, and the text is tried once more with a fresh one.
    `worker` is the command that starts a child, for tests.
    """

    def __init__(
        self,
        cache_folder: Path,
        engine: Engine = "bundled",
        timeout_s: float = 10.0,
        worker: Sequence[str] | None = None,
    ) -> None:
        self._engine = engine
        self._cache_folder = cache_folder
        self._timeout_s = timeout_s
        # -P: nothing beside the worker, nor in the folder of the day, may shadow a module that it imports.
        self._worker = worker or (sys.executable, "-P", str(_WORKER), engine)
        self._engine_version = _engine_version(engine)
        self._lock = threading.Lock()
        self._standby: subprocess.Popen[str] | None = None
        self._closed = False

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def close(self) -> None:
        """End the child; nothing can be rendered afterwards."""
        with self._lock:
            self._closed = True
            if self._standby:
                _end(self._standby)
                self._standby = None

    def render(self, text: str, rate_wpm: int = RATE_WPM) -> Audio:
        """Return `text` spoken, never silence; from the cache where it is there whole. rate_wpm: words a minute, 80 to
        450.

        Raises VoiceError where two children failed in turn, or the text has nothing that can be spoken.
        """
        if not text.strip():
            raise VoiceError("The voice was given nothing to say.")
        cached = self._cache_folder / f"{self._key(text, rate_wpm)}.flac"
        with contextlib.suppress(Problem):  # not there yet, or damaged: rendered again
            audio = read_audio(cached)
            if not implausible(text, audio, rate_wpm):
                return audio
        with self._lock:
            audio = self._render_afresh(text, rate_wpm)
        try:
            self._cache_folder.mkdir(parents=True, exist_ok=True)
            write_flac(cached, audio)
        except (Problem, OSError) as error:  # it can be spoken all the same
            _LOG.warning("The voice was not cached: %s", error)
        return audio

    def _key(self, text: str, rate_wpm: int) -> str:
        content = [text, {"engine": self._engine, "rate_wpm": rate_wpm}, self._engine_version]
        return hashlib.sha256(json.dumps(content).encode()).hexdigest()

    def _render_afresh(self, text: str, rate_wpm: int) -> Audio:
        if self._closed:
            raise VoiceError("The voice is closed.")
        reason = ""
        for _ in range(2):
            try:
                child, self._standby = self._standby or self._start(), None
                audio = self._ask(child, text, rate_wpm)
                with contextlib.suppress(_RenderingError):  # then the next text starts its own
                    self._standby = self._start()
                return audio
            except _RenderingError as failure:
                reason = str(failure)
        shown = text if len(text) <= 40 else f"{text[:37]}..."
        raise VoiceError(f'The voice could not say "{shown}": {reason}.')

    def _start(self) -> subprocess.Popen[str]:
        try:
            return subprocess.Popen(
                self._worker,
                stdin=subprocess.PIPE,
                stdout=subprocess.PIPE,
                stderr=subprocess.DEVNULL,
                encoding="utf-8",
            )
        except OSError as error:
            raise _RenderingError(f"its program did not start ({error.strerror})") from None

    def _ask(self, child: subprocess.Popen[str], text: str, rate_wpm: int) -> Audio:
        with tempfile.TemporaryDirectory(prefix="voice-") as folder:
            path = Path(folder) / "spoken.wav"
            request = {"text": text, "path": str(path), "rate_wpm": rate_wpm}
            try:
                answer, _ = child.communicate(json.dumps(request), timeout=self._timeout_s)
                if child.returncode:
                    reason = " ".join(answer.split()).rstrip(".!")
                    raise _RenderingError(reason or f"it ended with status {child.returncode}")
                audio = read_audio(path)
            except subprocess.TimeoutExpired:
                raise _RenderingError(f"it gave no answer within {self._timeout_s:g} s") from None
            except Problem:
                raise _RenderingError("it wrote no sound") from None
            finally:
                _end(child)
        if wrong := implausible(text, audio, rate_wpm):
            raise _RenderingError(wrong)
        return without_silent_end(audio, _SILENT_END_S)


class _RenderingError(Exception):
    """One try failed; the message says why, without a full stop."""


def _end(child: subprocess.Popen[str]) -> None:
    child.kill()
    with contextlib.suppress(OSError), child:  # closes its pipes and waits, so that no zombie is left
        pass


def _engine_version(engine: Engine) -> str:
    # A system voice does not tell its version without being started: after an update of it the sound in the
    # cache is of the earlier one, which says the same.
    of = version("espeakng-loader") if engine == "bundled" else sys.platform
    return f"{of} {version('pyttsx3')}"
