"""`assistant hear`: what the assistant makes of recordings."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Annotated

import typer

from assistant.cli.terminal import complain
from assistant.cli.understand import (
    JSON,
    QUESTION,
    QUESTIONS,
    meaning_body,
    print_questions,
    print_result,
    question_named,
)
from assistant.dialogue.events import IN_NOISE, Said
from assistant.errors import Problem
from assistant.files import expected, library
from assistant.language.meaning import Reading
from assistant.speech.audio import read_audio, resample
from assistant.speech.ears import hear_whole
from assistant.speech.levels import over_noise_db
from assistant.speech.recognizer import recognizer_in_use


def hear(
    files: Annotated[list[Path] | None, typer.Argument(help="Recordings, each of one answer.")] = None,
    question: QUESTION = "",
    as_json: JSON = False,
    questions: QUESTIONS = False,
) -> None:
    """Say what the assistant makes of recordings at a question."""
    if questions:
        print_questions()
        return
    if not files:
        raise Problem("Name at least one recording: assistant hear FILE --question NAME")
    language, asked = library().language, question_named(question)
    recognizer = recognizer_in_use(library().grammar)
    told = expected(language, asked)
    failed = False
    for file in files:
        try:
            audio = resample(read_audio(file), recognizer.rate_hz)
        except Problem as problem:  # the other files are still heard
            complain("Problem", problem)
            failed = True
            continue
        heard, decode_s = hear_whole(recognizer, audio, told)
        meaning = language.understand(heard.text, asked)
        ratio = over_noise_db(audio, heard.words)
        loud = isinstance(meaning, Reading) and Said(heard, over_noise_db=ratio).in_noise
        body = {
            "file": str(file),
            "said": heard.text,
            "meaning": meaning_body(meaning),
            "confirm": language.confirm(heard, meaning, asked)
            or (IN_NOISE if loud else None)
            or ("alternative" if language.rivals(heard, meaning, asked) else None),
            "over_noise_db": None if ratio is None else round(ratio, 1),
            "audio_s": round(audio.seconds, 3),
            "decode_s": round(decode_s, 3),
        }
        print_result(body, as_json)
    if failed:
        sys.exit(2)
