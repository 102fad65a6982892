"""What the assistant needs on this machine: what is there, and the line that mends what is missing."""

from __future__ import annotations

import tempfile
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from assistant.errors import Problem
from assistant.files import library
from assistant.speech.devices import load_sounddevice
from assistant.speech.recognizer import VoskRecognizer
from assistant.speech.voice import ChildVoice, VoiceError, VoiceSettings


@dataclass(frozen=True)
class Part:
    """One part. needed: without it no visit works; else recordings still do."""

    name: str
    found: bool
    detail: str
    mend: str
    needed: bool = True


def checks(model_folder: Path) -> Iterator[Part]:
    """Tries every part, cheapest first. model_folder: the speech model in use."""
    yield _rules()
    yield from _model_and_words(model_folder)
    yield _voice()
    yield from _sound()


def _rules() -> Part:
    name, mend = "procedures, limits, grammars", "mend the file that is named"
    try:
        shelf = library()
        return Part(name, True, f"{len(shelf.procedures)} procedures, {len(shelf.limits)} limits", mend)
    except Problem as problem:
        return Part(name, False, str(problem), mend)


def _model_and_words(folder: Path) -> Iterator[Part]:
    mend = "assistant models use field_model"
    try:
        recognizer = VoskRecognizer(folder)
    except Problem as problem:
        yield Part("speech model", False, str(problem), mend)
        return
    yield Part("speech model", True, recognizer.name, mend)
    grammar = library().grammar
    words = {w for rules in grammar.public.values() for rule in rules for w in grammar.words(rule)}
    missing = recognizer.missing(sorted(words))
    detail = f"{len(words) - len(missing)} of {len(words)}" + (f"; not {', '.join(missing)}" if missing else "")
    yield Part("words of the grammars", not missing, detail, "change these words in grammars/, or use another model")


def _voice() -> Part:
    mend = "pip install pyttsx3 espeakng-loader"
    try:
        with tempfile.TemporaryDirectory() as folder, ChildVoice(VoiceSettings(), Path(folder)) as voice:
            sound = voice.render("Self check.")
        return Part("voice", True, f"{sound.seconds:.1f} s at {sound.rate_hz} Hz", mend)
    except VoiceError as wrong:
        return Part("voice", False, str(wrong), mend)


def _sound() -> Iterator[Part]:
    mend = "sudo apt-get install libportaudio2"
    try:
        sounddevice = load_sounddevice()
    except Problem as problem:
        yield Part("PortAudio", False, str(problem), mend, needed=False)
        return
    yield Part("PortAudio", True, str(sounddevice.get_portaudio_version()[1]), mend, needed=False)
    devices = list(sounddevice.query_devices())
    for name, key in (("microphone", "max_input_channels"), ("loudspeaker", "max_output_channels")):
        named = [device["name"] for device in devices if device[key] > 0]
        yield Part(name, bool(named), ", ".join(named[:3]), "plug in a headset, then run this again", needed=False)
