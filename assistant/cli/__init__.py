"""The command line. Each command is a module here, which is imported when it is called or its own help is asked for.

So `assistant --help` needs nothing of the assistant, and each command only what it uses.
"""

from __future__ import annotations

import sys
from importlib import import_module
from pathlib import Path
from typing import Annotated, Any

import typer
from typer.core import TyperCommand
from typer.main import get_command

from assistant.errors import Problem

COMMANDS = {
    "demo": "Run an invented visit from recordings.",
    "visit": "Work a visit by voice, from a microphone or recordings.",
    "hear": "Say what the assistant makes of recordings.",
    "understand": "Say what the assistant makes of words.",
    "replay": "Go through a recorded visit, or judge it again.",
    "record": "Verify, seal and export a record; erase its sound.",
    "work-out": "Work out input rate, airflow, CO air-free and the like.",
    "report": "Write a visit's report, as HTML or PDF.",
    "page": "Serve the supervisor's page.",
    "shop": "Keep the visits of many crews in one store.",
    "models": "List, fetch, verify and choose the speech models.",
    "check-procedure": "Say all that is wrong in procedures or data files.",
    "self-check": "Say what is missing, or measure the room.",
}
"""Each command and its line in the list."""


class Later(TyperCommand):
    """Stands in the list for a command that is imported when it is called."""

    def make_context(self, info_name: str | None, args: list[str], parent: Any = None, **extra: Any) -> Any:
        """The context of the command itself."""
        module = import_module(f"assistant.cli.{str(self.name).replace('-', '_')}")
        return get_command(module.app).make_context(info_name, args, parent, **extra)


app = typer.Typer(
    add_completion=False,
    no_args_is_help=True,
    pretty_exceptions_enable=False,
    rich_markup_mode=None,
    context_settings={"help_option_names": ["-h", "--help"]},
    help="A hands-free assistant for gas ignition service: it asks, hears readings, judges them, warns before "
    "the hand goes in, and keeps a record. It advises and records; it gives no permission.",
)

SHOP = Annotated[
    Path | None,
    typer.Option(
        "--shop",
        envvar="ASSISTANT_SHOP",
        help="A folder with a shop's own procedures/, parts/, limits.yaml, hazards.yaml and quantities.yaml: they add "
        "to the shipped ones, and what has the same name takes their place. Without it, the folder shop in the "
        "user's folder of settings, where there is one.",
    ),
]


def _print_version(wanted: bool) -> None:
    if wanted:
        from importlib.metadata import version

        typer.echo(f"assistant {version('ignition-assistant')}")
        raise typer.Exit


VERSION = Annotated[
    bool, typer.Option("--version", callback=_print_version, is_eager=True, help="Print the version and stop.")
]


@app.callback()
def start(shop: SHOP = None, version: VERSION = False) -> None:  # noqa: ARG001 - its callback answers
    """Before every command: the data files of the shop, the one that is given or the one among the user's settings."""
    from assistant.places import user_settings

    own = user_settings() / "shop"
    if folder := shop or (own if own.is_dir() else None):
        from assistant.files import use_shop

        use_shop(folder)


def _later() -> None:
    """Never called: `Later` puts the command itself in its place."""


for _name, _help in COMMANDS.items():
    app.command(_name, cls=Later, help=_help)(_later)


def main() -> None:
    """Runs the command line: every problem is one sentence and exit status 2, never a traceback."""
    try:
        app()
    except Problem as problem:
        from assistant.cli.terminal import complain

        complain("Problem", problem)
        sys.exit(2)
