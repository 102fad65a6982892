"""`assistant demo`: an invented visit from recordings."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from assistant.cli.terminal import VOICE, console
from assistant.cli.visit import Terminal
from assistant.errors import Problem
from assistant.files import read_draft
from assistant.places import top_folder
from assistant.record import folder as visits
from assistant.session.session import Begin, work

DEMO_VISITS = {
    "hot-surface-brief": "a yearly check of a hot surface igniter with the brief talk",
    "hot-surface": "one with the full talk, corrections and a repair",
    "direct-spark": "a no heat visit to a direct spark furnace",
    "standing-pilot": "a yearly check of a standing pilot",
    "intermittent-pilot": "the safety test of an intermittent pilot, LP",
    "gas-odour": "a visit that meets a gas odour",
}


def demo(
    visit: Annotated[
        str, typer.Argument(help="Which: " + "; ".join(f"{k}, {v}" for k, v in DEMO_VISITS.items()))
    ] = "hot-surface-brief",
    folder: Annotated[Path, typer.Option("--folder", help="Where the demo's visit is left.")] = Path("out"),
    voice: VOICE = "bundled",
) -> None:
    """Run an invented visit from recordings: real recognition, no microphone, no network."""
    if visit not in DEMO_VISITS:
        raise Problem(f"There is no demo called {visit!r}; there is: {', '.join(DEMO_VISITS)}.")
    if (folder / visits.RECORD).exists() and not visits.holds_demo(folder):
        raise Problem(f"{folder} holds a visit that is no demo, and stays as it is; choose another with --folder.")
    fixtures = top_folder("audio_fixtures") / "visits"
    visits.make(folder)
    visits.set_aside(folder)
    job = fixtures / f"{visit}.job.yaml"
    console.print("This visit is invented: no such site, people or appliance exist.")
    begin = Begin(read_draft(job), record=folder / visits.RECORD)
    work(begin, folder, [fixtures / f"{visit}.flac"], voice, Terminal())
