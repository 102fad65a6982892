"""The list of the commands, each of which is imported when it is called."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from importlib import import_module
from pathlib import Path
from typing import Annotated, Any

import typer
from typer.core import TyperCommand, TyperGroup
from typer.main import get_command

from assistant.cli import COMMANDS, stop


@contextmanager
def _stopping() -> Iterator[None]:
    """Ends the program on Ctrl-C, also at a question: typer would end it without a word."""
    try:
        yield
    except (KeyboardInterrupt, typer.Abort) as error:
        interrupt = error.__context__ if isinstance(error, typer.Abort) else error
        if not isinstance(interrupt, KeyboardInterrupt):
            raise
        stop(interrupt)


class Commands(TyperGroup):
    """The commands, as a whole."""

    def make_context(self, *arguments: Any, **more: Any) -> Any:
        """What is given before a command."""
        with _stopping():
            return super().make_context(*arguments, **more)

    def invoke(self, ctx: Any) -> Any:
        """Runs the command that is named."""
        with _stopping():
            return super().invoke(ctx)


class Later(TyperCommand):
    """Stands in the list for a command that is imported when it is called."""

    def make_context(self, info_name: str | None, args: list[str], parent: Any = None, **extra: Any) -> Any:
        """The context of the command itself."""
        module = import_module(f"assistant.cli.{str(self.name).replace('-', '_')}")
        return get_command(module.app).make_context(info_name, args, parent, **extra)


SHOP = Annotated[
    Path | None,
    typer.Option(
        "--shop",
        envvar="ASSISTANT_SHOP",
        help="A folder with a shop's own procedures/, parts/, procedures.yaml, limits.yaml, hazards.yaml, "
        "quantities.yaml and risks.yaml: they add to the shipped ones, and what has the same name takes their place. "
        "Without it, the folder shop in the user's folder of settings, where there is one.",
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


def start(shop: SHOP = None, version: VERSION = False) -> None:  # noqa: ARG001 - its callback answers
    """Before every command: the data files of the shop, the one that is given or the one among the user's settings."""
    from assistant.places import user_settings

    own = user_settings() / "shop"
    if folder := shop or (own if own.is_dir() else None):
        from assistant.files import use_shop

        use_shop(folder)


def _later() -> None:
    """Never called: `Later` puts the command itself in its place."""


def build() -> typer.Typer:
    """The command line, with all of `COMMANDS`."""
    app = typer.Typer(
        cls=Commands,
        add_completion=False,
        no_args_is_help=True,
        pretty_exceptions_enable=False,
        rich_markup_mode=None,
        context_settings={"help_option_names": ["-h", "--help"]},
        help="A hands-free assistant for gas ignition service: it asks, hears readings, judges them, warns before "
        "the hand goes in, and keeps a record. It advises and records; it gives no permission.",
    )
    app.callback()(start)
    for name, line in COMMANDS.items():
        app.command(name, cls=Later, help=line)(_later)
    return app
