"""The list of the commands, each of which is imported when it is called."""

from __future__ import annotations

import sys
from collections.abc import Iterator
from contextlib import contextmanager
from importlib import import_module
from pathlib import Path
from typing import Annotated, Any

import typer
from typer.core import TyperCommand, TyperGroup
from typer.main import get_command

from assistant.cli import COMMANDS, stop
from assistant.errors import Problem

WrongCall: Any = typer.BadParameter.__base__
"""What typer raises where the words after `assistant` do not fit."""


@contextmanager
def _in_one_line() -> Iterator[None]:
    """Says in one line what is wrong with a call, and ends the program on Ctrl-C, also at a question: typer would end
    it without a word."""
    try:
        yield
    except WrongCall as wrong:
        if "\n" in wrong.message:  # the list of a command's own commands, where none of them is given
            raise
        says = wrong.format_message().replace("Value error, ", "").rstrip(".")
        from assistant.cli.terminal import complain

        complain("Problem", f"{says}; see: {wrong.ctx.command_path if wrong.ctx else 'assistant'} --help")
        sys.exit(2)
    except (KeyboardInterrupt, typer.Abort) as error:
        interrupt = error.__context__ if isinstance(error, typer.Abort) else error
        if isinstance(interrupt, EOFError):
            raise Problem("There was no answer to read; run it at a terminal.") from error
        if not isinstance(interrupt, KeyboardInterrupt):
            raise
        stop(interrupt)


class Commands(TyperGroup):
    """The commands, as a whole."""

    def make_context(self, *arguments: Any, **more: Any) -> Any:
        """What is given before a command."""
        with _in_one_line():
            return super().make_context(*arguments, **more)

    def format_commands(self, ctx: Any, formatter: Any) -> None:
        """The list of the commands, in groups."""
        for group, commands in COMMANDS.items():
            with formatter.section(group):
                formatter.write_dl([*commands.items()])

    def invoke(self, ctx: Any) -> Any:
        """Runs the command that is named."""
        with _in_one_line():
            return super().invoke(ctx)


class Later(TyperCommand):
    """Stands in the list for a command that is imported when it is called: the function of its name in the module of
    its name, or that module's `app` where it has commands of its own."""

    def make_context(self, info_name: str | None, args: list[str], parent: Any = None, **extra: Any) -> Any:
        """The context of the command itself."""
        name = str(self.name).replace("-", "_")
        module = import_module(f"assistant.cli.{name}")
        app = getattr(module, "app", None)
        if app is None:
            app = typer.Typer(add_completion=False, rich_markup_mode=None)
            app.command()(getattr(module, name))
        return get_command(app).make_context(info_name, args, parent, **extra)


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


def start(context: typer.Context, shop: SHOP = None, version: VERSION = False) -> None:  # noqa: ARG001 - a callback
    """Before every command: the data files of the shop, the one that is given or the one among the user's settings."""
    from assistant.places import user_settings

    own = user_settings() / "shop"
    if folder := shop or (own if own.is_dir() and any(own.iterdir()) else None):
        from assistant.files import use_shop

        use_shop(folder, check=context.invoked_subcommand != "check-procedure")  # which tells all that is wrong


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
    for group in COMMANDS.values():
        for name, line in group.items():
            app.command(name, cls=Later, help=line)(_later)
    return app
