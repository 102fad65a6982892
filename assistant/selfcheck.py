"""What the assistant needs on this machine: what is there, and the command that fixes what is missing."""

from __future__ import annotations

import tempfile
from collections.abc import Callable, Iterator
from contextlib import ExitStack
from dataclasses import dataclass
from decimal import Decimal
from functools import partial
from pathlib import Path
from typing import Any

from assistant.errors import Problem
from assistant.files import expected, library
from assistant.language.meaning import Question, Reading
from assistant.speech import room
from assistant.speech.devices import load_sounddevice
from assistant.speech.ears import Ears, Utterance
from assistant.speech.recognizer import VoskRecognizer
from assistant.speech.route import OpenRoute
from assistant.speech.voice import Voice, VoiceError


@dataclass(frozen=True)
class Part:
    """One part that was looked for."""

    name: str
    found: bool
    detail: str
    fix: str
    """What to do where it is missing."""
    needed: bool = True
    """Without it no visit works; else recordings still do."""


def checks(model_folder: Path) -> Iterator[Part]:
    """Tries every part, cheapest first. model_folder: the speech model in use."""
    yield _tried("procedures, limits, grammars", "fix the file that is named", _rules)
    recognizers: list[VoskRecognizer] = []

    def load() -> str:
        recognizers.append(VoskRecognizer(model_folder))
        return recognizers[0].name

    yield _tried("speech model", "assistant models use field_model", load)
    for recognizer in recognizers:
        words = library().grammar.vocabulary
        missing = recognizer.missing(sorted(words))
        detail = f"{len(words) - len(missing)} of {len(words)}" + (f"; not {', '.join(missing)}" if missing else "")
        fix = "change these words in grammars/, or use another model"
        yield Part("words of the grammars", not missing, detail, fix)
    yield _tried("voice", "pip install pyttsx3 espeakng-loader", _voice)
    fix = "sudo apt-get install libportaudio2"
    sound = _tried("PortAudio", fix, lambda: str(load_sounddevice().get_portaudio_version()[1]), needed=False)
    yield sound
    devices = list(load_sounddevice().query_devices()) if sound.found else []
    for name, key in (("microphone", "max_input_channels"), ("loudspeaker", "max_output_channels")):
        if sound.found:
            named = [device["name"] for device in devices if device[key] > 0]
            yield Part(name, bool(named), ", ".join(named[:3]), "plug in a headset, then run this again", needed=False)


def _tried(name: str, fix: str, look: Callable[[], str], needed: bool = True) -> Part:
    try:
        return Part(name, True, look(), fix, needed)
    except (Problem, VoiceError) as wrong:
        return Part(name, False, str(wrong), fix, needed)


def _rules() -> str:
    shelf = library()
    return f"{len(shelf.procedures)} procedures, {len(shelf.limits)} limits"


def _voice() -> str:
    with tempfile.TemporaryDirectory() as folder, Voice(Path(folder)) as voice:
        sound = voice.render("Self check.")
    return f"{sound.seconds:.1f} s at {sound.rate_hz} Hz"


SENTENCE = Decimal(120)  # volts: the value of `room.SAY_SENTENCE`
SENTENCE_S = 20.0  # waited for it


def listen(model_folder: Path, cache: Path, open_route: OpenRoute, tell: Callable[[str], None]) -> dict[str, Any]:
    """Measures the room with the person in it; what was measured, as plain JSON values.

    Raises Problem where a device or the model is missing, PlayerError and MicrophoneLost where one is lost.
    """
    language = library().language
    question = Question("line-voltage", library().quantities["line-voltage"])
    recognizer = VoskRecognizer(model_folder)
    with ExitStack() as stack:
        route = open_route(recognizer.rate_hz, stack)
        microphone = route.microphone
        voice = stack.enter_context(Voice(cache))

        def hear() -> Utterance | float | None:
            ears = Ears(recognizer, microphone, tail_s=room.LEAST_TAIL_S)
            can_grow = partial(language.can_grow, question=question)
            return ears.listen(expected(language, question), can_grow, SENTENCE_S)

        found = room.measure(microphone, route.player, voice, hear, tell)
    meaning = language.understand(found.heard, question)
    right = isinstance(meaning, Reading) and meaning.value == SENTENCE
    own = found.own
    return {
        "microphone": microphone.device_name,
        "microphone_hz": microphone.device_rate_hz,
        "loudspeaker": route.loudspeaker["loudspeaker"],
        "noise_dbfs": round(found.noise_dbfs, 1),
        "speech_dbfs": None if found.speech_dbfs is None else round(found.speech_dbfs, 1),
        "speech_to_noise_db": None if found.speech_to_noise_db is None else round(found.speech_to_noise_db, 1),
        "clipped": found.clipped,
        "distance": found.distance,
        "sentence": found.sentence,
        "heard": found.heard,
        "heard_right": right,
        "own_voice_heard": own.delay_s is not None,
        "delay_s": None if own.delay_s is None else round(own.delay_s, 3),
        "own_voice_over_noise_db": None if own.delay_s is None else round(own.over_noise_db, 1),
        "own_voice_after_s": round(own.after_s, 2),
        "tail_s": round(found.tail_s, 2),
        "sound_lost": microphone.overflows,
    }
