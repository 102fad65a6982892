"""The commands for a visit's record: checking, sealing, exporting, erasing its audio, replaying and judging again."""

from __future__ import annotations

import sys
import time
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Annotated, Literal

import platformdirs
import typer
from rich.console import Console
from rich.markup import escape
from rich.table import Table

from assistant.cli.models import store
from assistant.errors import Problem
from assistant.files import read_grammar_texts, read_job, read_limits
from assistant.language.heard import Heard
from assistant.language.meaning import Question
from assistant.language.phrases import Expected
from assistant.review import aloud as playing
from assistant.review import replay as review
from assistant.review.export import readings_csv, to_jsonl
from assistant.review.rejudge import Hear, rejudge
from assistant.speech.audio import read_audio, resample
from assistant.speech.ears import hear_whole
from assistant.speech.player import DevicePlayer
from assistant.speech.recognizer import VoskRecognizer
from assistant.speech.voice import ChildVoice, VoiceSettings
from assistant.visit import folder as visits
from assistant.visit import seal as seals
from assistant.visit.record import Record, audio_of
from assistant.visit.visit import Setting, Turn, setting_of

console = Console(highlight=False)
errors = Console(stderr=True, highlight=False, soft_wrap=True)
record_app = typer.Typer(no_args_is_help=True, help="The record of a visit: verify, seal, export, erase-audio.")

VISIT = Annotated[Path, typer.Argument(metavar="VISIT", help="A visit's folder or its record.")]

DIFFERS = 1
"""Exit status of `replay` when something would be judged otherwise."""


@record_app.command()
def verify(
    visit: VISIT,
    head: Annotated[str, typer.Option("--head", help="The head that the technician noted, or its start.")] = "",
) -> None:
    """Check a record whole: its chain, its seal and every recording; name what is not as it was recorded."""
    if head and not (len(head) >= 8 and set(head.lower()) <= set("0123456789abcdef")):
        raise Problem(f"{head!r} is no head: give at least the eight characters that were spoken at the end.")
    checked = seals.check(visits.find(visit), head or None)
    for problem in checked.problems:
        errors.print(f"[bold red]Not as it was recorded:[/] {escape(problem)}")
    console.print(
        f"{checked.entries} entries, {checked.recordings} recordings. Head of the record: {checked.head}",
        soft_wrap=True,
    )
    console.print(f"Sealed on {checked.sealed}." if checked.sealed else "Not sealed.")
    for utc in sorted(set(checked.erased.values())):
        names = sorted(name for name, when in checked.erased.items() if when == utc)
        console.print(f"Erased on {utc}: {len(names)} recordings ({names[0]} to {names[-1]}).")
    if checked.problems:
        sys.exit(2)
    console.print("Everything is as it was recorded.")


@record_app.command()
def seal(visit: VISIT) -> None:
    """Seal a visit that has ended; a visit seals itself, unless it was stopped at that very moment."""
    with Record.open(visits.find(visit)) as record:
        console.print(f"Sealed: {seals.seal(record).hash}")


@record_app.command()
def export(
    visit: VISIT,
    to: Annotated[Literal["jsonl", "csv"], typer.Option("--format", help="Every entry, or the readings.")] = "jsonl",
    out: Annotated[Path | None, typer.Option("--out", help="A file; else standard output.")] = None,
) -> None:
    """Write a record as JSON Lines (every entry, the seal's too) or its readings as CSV. For PDF: assistant report."""
    path = visits.find(visit)
    with Record.open(path, read_only=True) as record:
        rows = [*record.rows(), *seals.sealed_rows(path)]
        text = to_jsonl(rows) if to == "jsonl" else readings_csv(record.entries())
        problems = record.verify()
    if out is None:
        sys.stdout.write(text)
    else:
        try:
            out.write_text(text, encoding="utf-8")
        except OSError as wrong:
            raise Problem(f"{out} cannot be written ({wrong.strerror}); give another name with --out.") from wrong
    for problem in problems:
        errors.print(f"[bold red]Not as it was recorded:[/] {escape(problem)}")
    if problems:
        sys.exit(2)


@record_app.command("erase-audio")
def erase_audio(
    visit: VISIT,
    older_than: Annotated[
        int | None, typer.Option("--older-than", min=0, help="Only of visits that ended this many days ago or more.")
    ] = None,
) -> None:
    """Erase the recordings of a visit, or of every visit in a folder; that they were, and when, stays provable."""
    paths = visits.all_in(visit)
    if len(paths) > 1 and older_than is None:
        raise Problem(f"{visit} holds {len(paths)} visits; name one of them, or say --older-than DAYS.")
    before = datetime.now(UTC) - timedelta(days=older_than or 0)
    for path in paths:
        if older_than is not None and _last_moment(path) > before:
            continue
        why = "asked for" if older_than is None else f"older than {older_than} days"
        names = seals.erase_audio(path, why)
        console.print(f"{escape(str(path))}: {len(names)} recordings erased.", soft_wrap=True)


def _last_moment(path: Path) -> datetime:
    with Record.open(path, read_only=True) as record:
        last = max((entry.utc for entry in record.entries()), default="")
    return datetime.fromisoformat(last) if last else datetime.now(UTC)


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
    with Record.open(visits.find(visit), read_only=True) as record:
        problems = record.verify()
        differs = False
        if model or grammar or limits or job:
            setting = setting_of(record)
            now = _other(setting, grammar, limits, job)
            hear = _hearing(record, now, model) if model else None
            differs = _print_differences(record, setting, now, hear)
        elif aloud:
            with ChildVoice(
                VoiceSettings(), Path(platformdirs.user_cache_dir("ignition-assistant")) / "voice"
            ) as voice:
                absent = playing.play(record, voice, DevicePlayer(), _show, None if fast else time.sleep)
            if absent:
                console.print(f"{absent} utterances have no recording: they were not kept, or are erased.")
        else:
            console.print(turn_table(record))
        for problem in problems:
            errors.print(f"[bold red]Not as it was written:[/] {escape(problem)}")
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
    recognizer = VoskRecognizer(store().folder_of(model))
    language = now.dialogue().language
    expected: dict[Question, Expected] = {}

    def hear(name: str, question: Question) -> Heard | None:
        sound = audio_of(record.path) / name
        if not sound.is_file():
            return None
        if question not in expected:
            expected[question] = Expected(language, question)
        return hear_whole(recognizer, resample(read_audio(sound), recognizer.rate_hz), expected[question])[0]

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


def _show(turn: Turn) -> None:
    row = review.row(turn.event, turn.effects, turn.entry.utc, turn.same)
    if row and row.heard:
        console.print(f"{row.utc[11:19]} [green]> {escape(row.heard)}[/]")
    if row and row.decided:
        console.print(f"  [yellow]{escape(row.decided)}[/]")
    if row and row.answer:
        console.print(f"[cyan]< {escape(row.answer)}[/]")


def turn_table(record: Record) -> Table:
    """The turns of a record as a table."""
    table = Table("time", "heard", "decided", "answered", title=f"Visit {escape(str(record.path))}")
    for row in review.rows(record):
        changed = "" if row.same else " [red](would now be decided otherwise)[/]"
        table.add_row(row.utc[11:19], escape(row.heard), escape(row.decided) + changed, escape(row.answer))
    return table
