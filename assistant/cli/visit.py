"""`assistant visit`: a visit by voice, followed on the terminal."""

from __future__ import annotations

from collections.abc import Sequence
from contextlib import nullcontext
from functools import partial
from io import StringIO
from pathlib import Path
from typing import Annotated, Literal

import typer
from rich.console import Console
from rich.markup import escape

from assistant.cli import by_phone
from assistant.cli.lodging import lodging
from assistant.cli.terminal import (
    FOLDER,
    LOUDSPEAKER,
    MICROPHONE,
    VOICE,
    console,
)
from assistant.cli.turns import print_turn, turn_table
from assistant.dialogue.effects import Effect
from assistant.dialogue.events import Event
from assistant.errors import Problem
from assistant.files import flaws_in_job, read_draft
from assistant.language.meaning import value_text
from assistant.places import write_whole
from assistant.record import folder as visits
from assistant.record.fold import turns
from assistant.record.record import Record
from assistant.review import replay
from assistant.review.report import page
from assistant.session.edges import QUIET_S
from assistant.session.session import TAIL_S, Begin, Live, work
from assistant.speech.route import OpenRoute, sound_card

TAIL = Annotated[
    float,
    typer.Option("--tail", min=0.0, max=3.0, help="Seconds not heard after its voice; see self-check --listen."),
]
HEADSET = Annotated[
    bool,
    typer.Option("--headset", help="The voice does not come back: stop and the emergency words cut it off."),
]
HELPER = Annotated[str | None, typer.Option("--helper-microphone", help="The name of a second one, for a helper.")]


def visit(
    folder: FOLDER,
    job: Annotated[Path | None, typer.Option("--job", help="The job file (YAML).")] = None,
    from_audio: Annotated[
        list[Path] | None,
        typer.Option("--from-audio", help="Recordings instead of the microphone; repeat it for more."),
    ] = None,
    resume: Annotated[bool, typer.Option("--resume", help="Go on with the newest unfinished visit.")] = False,
    voice: VOICE = "bundled",
    microphone: MICROPHONE = None,
    loudspeaker: LOUDSPEAKER = None,
    quiet_s: Annotated[float, typer.Option("--quiet", min=5.0, help="Seconds of silence, then it calls.")] = QUIET_S,
    tail_s: TAIL = TAIL_S,
    headset: HEADSET = False,
    helper_microphone: HELPER = None,
    set_up: Annotated[
        bool, typer.Option("--set-up", help="Ask by voice for what the job file leaves out; without one, for all.")
    ] = False,
    wait: Annotated[bool, typer.Option("--wait", help='Wait until somebody says "begin the visit".')] = False,
    store: Annotated[
        str, typer.Option("--store", envvar="ASSISTANT_STORE", help="A shop's store that is to have its heads.")
    ] = "",
    phone: by_phone.PHONE = False,
    phone_helper: Annotated[bool, typer.Option("--phone-helper", help="A second phone, for a helper.")] = False,
    phone_address: by_phone.ADDRESS = None,
    phone_port: by_phone.PORT = by_phone.USUAL_PORT,
    phone_certificate: by_phone.CERTIFICATE = None,
) -> None:
    """Work a visit by voice, from a microphone or from recordings; without a job file it is set up by voice."""
    if resume and (job or set_up):
        raise Problem("Give --resume alone to go on with an unfinished visit; a new one takes --job and --set-up.")
    if resume:
        begun: Path | Begin = visits.unfinished(folder)
    else:
        if flaws := flaws_in_job(job, draft=set_up) if job else ():
            raise Problem(str(flaws[0]))
        if visits.holds_demo(folder):
            raise Problem(f"{folder} is the folder of a demo; choose one for real visits with --folder.")
        begun = Begin(read_draft(job) if job else {}, ask=set_up or not job)
    terminal = Terminal()
    way: OpenRoute = partial(sound_card, microphone=microphone, loudspeaker=loudspeaker, helper=helper_microphone)
    taken = {
        "--from-audio": from_audio,
        "--microphone": microphone,
        "--loudspeaker": loudspeaker,
        "--helper-microphone": helper_microphone,
    }
    if place := by_phone.place_for(phone, phone_address, phone_port, phone_certificate, taken, phone_helper):
        from assistant.phone.server import open_route

        way = partial(
            open_route,
            place=place,
            folder=folder,
            engine=voice,
            with_helper=phone_helper,
            show=by_phone.show,
            tell=terminal.tell,
        )
    with lodging(store) if store else nullcontext() as lodge:
        live = Live(way, quiet_s, tail_s, headset, lodge)
        work(begun, folder, from_audio or [], voice, terminal, live, wait)


class Terminal:
    """The terminal as a `Screen`."""

    def tell(self, text: str, kind: Literal["fact", "said", "warning"] = "fact") -> None:
        """Prints a line beside the turns."""
        style = {"fact": "", "said": "cyan", "warning": "yellow"}[kind]
        console.print(escape(f"< {text}" if kind == "said" else text), style=style)

    def resumed(self, record: Record) -> None:
        """Prints what a visit that is taken up again already holds."""
        state = [turn.after for turn in turns(record)][-1:]
        standing = state[0].standing if state else ()
        console.print(f"{len(standing)} readings are in the record:")
        for taken in standing:
            console.print(f"  {taken.quantity}: {value_text(taken.value)} {taken.unit}, {taken.verdict.outcome}")

    def turn(self, event: Event, effects: Sequence[Effect]) -> None:
        """Prints a turn as it happens."""
        print_turn(replay.row(event, tuple(effects)))

    def over(self, record: Record, closed: bool) -> None:
        """Prints the table of the turns, which it leaves beside the record with the report, and the record's head."""
        folder = record.path.parent
        table = turn_table(record)
        console.print(table)
        text = StringIO()
        Console(file=text, width=160, highlight=False, emoji=False).print(table)
        write_whole(folder / "turns.txt", text.getvalue().encode())
        write_whole(folder / page.REPORT, page.of_record(record)[0].encode())
        console.print(f"Report: {escape(str(folder / page.REPORT))}")
        if not closed:
            again = visits.resume_command(folder.parent)
            console.print(f"The recording ended before the visit did; go on with: {escape(again)}")
        console.print(f"Head of the record: {record.head}")
        if closed:
            console.print(f"As it was said, before the end was written: {list(record.rows())[-1].previous[:8]}")
