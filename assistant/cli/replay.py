"""`assistant replay`: a visit turn by turn from its record, or judged again."""

from __future__ import annotations

import sys
import time
from pathlib import Path
from typing import Annotated

import typer
from rich.markup import escape
from rich.table import Table

from assistant.cli.terminal import VISIT, complain, console
from assistant.cli.turns import print_turn, turn_table
from assistant.errors import Problem
from assistant.files import expected, read_grammar_texts, read_job, read_limits
from assistant.language.heard import Heard
from assistant.language.meaning import Question
from assistant.places import voice_cache
from assistant.record import folder as visits
from assistant.record.fold import Recorded
from assistant.record.record import Record, audio_of
from assistant.record.seal import check
from assistant.record.setting import Setting, setting_of
from assistant.review import aloud as playing
from assistant.review.rejudge import Hear, rejudge
from assistant.review.replay import as_it_was
from assistant.speech.audio import read_audio, resample
from assistant.speech.ears import hear_whole
from assistant.speech.models import user_store
from assistant.speech.player import DevicePlayer
from assistant.speech.recognizer import VoskRecognizer
from assistant.speech.voice import Voice

DIFFERS = 1
"""Exit status of `replay` when something would be judged otherwise."""


def replay(
    visit: VISIT,
    aloud: Annotated[bool, typer.Option("--aloud", help="Play it: the people, and what the assistant said.")] = False,
    fast: Annotated[bool, typer.Option("--fast", help="With --aloud: without the pauses.")] = False,
    model: Annotated[str, typer.Option("--model", help="Hear the recordings again with this speech model.")] = "",
    grammar: Annotated[
        Path | None, typer.Option("--grammar", help="Understand the words by the grammars of this folder.")
    ] = None,
    limits: Annotated[Path | None, typer.Option("--limits", help="Judge by this file of limits.")] = None,
    job: Annotated[Path | None, typer.Option("--job", help="Judge by this job file: plate, meters.")] = None,
) -> None:
    """Print or play a visit turn by turn, from its record alone; or judge it again and print what would differ."""
    if fast and not aloud:
        raise Problem("--fast is for what is played: give it with --aloud.")
    path = visits.find(visit)
    problems = check(path).problems
    with Record.open(path, read_only=True) as record:
        differs = False
        if model or grammar or limits or job:
            setting = setting_of(record)
            now = _other(setting, grammar, limits, job)
            hear = _hearing(record, now, model) if model else None
            differs = _print_differences(record, setting, now, hear)
        elif aloud:
            with Voice(voice_cache()) as voice:
                absent = playing.play(record, voice, DevicePlayer(), _show, None if fast else time.sleep)
            if absent:
                console.print(f"{absent} utterances have no recording: they were not kept, or are erased.")
        else:
            console.print(turn_table(record))
        for problem in problems:
            complain("Not as it was recorded", problem)
        console.print(f"Head of the record: {record.head}")
    if problems:
        sys.exit(2)
    if differs:
        sys.exit(DIFFERS)


def _other(setting: Setting, grammar: Path | None, limits: Path | None, job: Path | None) -> Setting:
    """The setting of a visit with other grammars, limits or job."""
    rules = setting.rules
    other_job = read_job(job) if job else rules.job
    update = {"job": other_job} | ({"limits": {**rules.limits, **read_limits(limits, other_job)}} if limits else {})
    return setting.with_(rules=update, grammars=read_grammar_texts(grammar) if grammar else None)


def _hearing(record: Record, now: Setting, model: str) -> Hear:
    recognizer = VoskRecognizer(user_store().folder_of(model))
    language = now.dialogue().language

    def hear(name: str, question: Question) -> Heard | None:
        sound = audio_of(record.path) / name
        if not sound.is_file():
            return None
        heard, _ = hear_whole(recognizer, resample(read_audio(sound), recognizer.rate_hz), expected(language, question))
        return heard

    return hear


def _print_differences(record: Record, then: Setting, now: Setting, hear: Hear | None) -> bool:
    """Prints what would differ; whether anything would."""
    table = Table("entry", "heard then", "heard now", "decided then", "would be decided")
    words = decided = 0
    for difference in rejudge(record.entries(), then, now, hear):
        words, decided = words + difference.words_only, decided + (not difference.words_only)
        other = difference.heard_now if difference.heard_now != difference.heard else ""
        cells = (difference.heard, other, difference.then, difference.now)
        table.add_row(str(difference.seq), *map(escape, cells))
    if words or decided:
        console.print(table)
    console.print(f"{decided} turns would be decided otherwise; in {words} more only the words heard differ.")
    return bool(words or decided)


def _show(turn: Recorded) -> None:
    print_turn(as_it_was(turn), timed=True)
