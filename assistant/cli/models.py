"""`assistant models`: lists, fetches, adds, verifies, removes and chooses speech models."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer
from rich.markup import escape
from rich.progress import BarColumn, DownloadColumn, Progress, TextColumn, TransferSpeedColumn
from rich.table import Table

from assistant.cli.terminal import console, errors, group_app
from assistant.errors import Problem
from assistant.speech.models import Confirm, FirstArchive, ListedModel
from assistant.speech.models import user_store as store

LEGEND = """\

bundled: comes with the assistant. here: fetched or added.
to fetch: run assistant models fetch NAME. no words: cannot be used, because
its graph is fixed and it cannot be told which words a question allows.
SHA-256: where the sum of the archive is known from; an unknown one is shown
at the first fetch, which asks. files: added as a folder, so of its files."""

app = group_app("The speech models on this device: which there are, and which one listens.")

Name = Annotated[str, typer.Argument(metavar="NAME", help="A name from `assistant models list`.")]
Yes = Annotated[
    bool,
    typer.Option("--yes", help="Pin an archive whose SHA-256 is not known yet without asking."),
]


@app.command("list")
def list_command() -> None:
    """Shows every known model. What it is, whether it is here and which one is in use."""
    table = _table("Name", "Language", "Size", "Licence", "State", "SHA-256")
    for model in store().list_models():
        known = model.known
        table.add_row(
            model.name,
            known.language if known else "unknown",
            _size(model.size_bytes),
            known.licence if known else "unknown",
            _state(model),
            model.archive_sum,
        )
    console.print(table)
    typer.echo(LEGEND)


def _table(*columns: str) -> Table:
    return Table(*columns, box=None, padding=(0, 2, 0, 0))  # no lines, so that the list fits 80 columns


def _size(size_bytes: int) -> str:
    return f"{size_bytes / 1e9:.1f} GB" if size_bytes >= 1e9 else f"{size_bytes / 1e6:.0f} MB"


def _state(model: ListedModel) -> str:
    if model.in_use:
        return "in use"
    if model.known and not model.known.run_time_words:
        return "no words"
    if model.known and model.known.bundled:
        return "bundled"
    return "here" if model.here else "to fetch"


@app.command("fetch")
def fetch_command(name: Name, yes: Yes = False) -> None:
    """Downloads a model and checks it.

    The first time it shows the SHA-256 of the archive and asks.
    The one that you confirm is pinned: any other is refused from then on.
    """
    columns = (
        TextColumn("{task.description}", markup=False),
        BarColumn(),
        DownloadColumn(),
        TransferSpeedColumn(),
    )
    bar = Progress(*columns, console=errors)
    try:
        task = bar.add_task(name, total=None)

        def show(here: int, whole: int) -> None:
            bar.start()
            bar.update(task, completed=here, total=whole or None)

        def ask(archive: FirstArchive) -> bool:
            bar.stop()  # a running bar would write over the question
            return _confirm(yes)(archive)

        folder = store().fetch(name, ask, show)
    finally:
        if bar.live.is_started:  # else it would leave an empty line
            bar.stop()
    _done(name, folder)


@app.command("add")
def add_command(
    path: Annotated[Path, typer.Argument(metavar="PATH", help="A zip or tar archive, or a model's folder.")],
    name: Annotated[str | None, typer.Option(help="What to call it; its own name when not given.")] = None,
    yes: Yes = False,
) -> None:
    """Takes in a model from an archive or a folder. For a device without a network.

    Your archive or folder stays as it is.
    """
    models = store()
    folder = models.add(path, _confirm(yes), name)
    _done(folder.name, folder)


@app.command("verify")
def verify_command(
    name: Annotated[str | None, typer.Argument(metavar="[NAME]", help="All that are here when not given.")] = None,
) -> None:
    """Checks that a model's files are what they were when it came."""
    models = store()
    names = [name] if name else [model.name for model in models.list_models() if model.here]
    table = _table("Name", "Files")
    damaged = []
    for one in names:
        differences = models.verify(one)
        table.add_row(one, escape("\n".join(differences)) or "as they were")
        damaged += [one] if differences else []
    console.print(table)
    if damaged:
        raise Problem(f"{', '.join(damaged)} must not be used; remove it and fetch it again, or install anew.")


@app.command("remove")
def remove_command(
    name: Name,
    forget: Annotated[
        bool, typer.Option("--forget", help="Drop its pinned SHA-256 too, so that the next fetch asks again.")
    ] = False,
    yes: Annotated[bool, typer.Option("--yes", help="Do not ask.")] = False,
) -> None:
    """Removes a model from this device. The one that comes with the assistant stays."""
    if not yes and not typer.confirm(f"Remove {name}?"):
        raise Problem(f"{name} was not removed; answer y to remove it.")
    store().remove(name, forget)
    typer.echo(f"{name} is removed.")


@app.command("use")
def use_command(name: Name) -> None:
    """Chooses the model that listens, from the next start."""
    store().use(name)
    typer.echo(f"{name} listens from the next start.")


def _done(name: str, folder: Path) -> None:
    typer.echo(f"{name} is in {folder}.")
    typer.echo(f"To let it listen, run: assistant models use {name}")


def _confirm(yes: bool) -> Confirm:
    """Asks whether to pin an archive's sum. --yes answers, but not for one that others report differently."""

    def confirm(archive: FirstArchive) -> bool:
        typer.echo(f"The SHA-256 of {archive.origin} is\n  {archive.sha256}")
        if archive.sha256_reported is None:
            typer.echo("No other is known to compare it with.")
        elif archive.sha256_reported == archive.sha256:
            typer.echo("Other projects report the same.")
        else:
            typer.echo(f"Other projects report another, so this may be a forgery:\n  {archive.sha256_reported}")
        asks = not yes or archive.sha256_reported not in (None, archive.sha256)
        return not asks or typer.confirm(f"Trust this archive and pin its SHA-256 for {archive.name}?")

    return confirm
