"""Backup and restore of a store, by the means that each database has for it, while others use it."""

from __future__ import annotations

import os
import shutil
import sqlite3
import subprocess
from pathlib import Path

from sqlalchemy.engine import URL

from assistant.errors import Problem
from assistant.places import file_sum, write_whole
from assistant.review.store.store import Store, url_of


def backup(where: str, to: Path) -> None:
    """Copies a store into one new file, an SQLite store or an archive of pg_dump, and its checksum into one beside it.

    Raises:
        Problem: if there is no store, the file exists, or it cannot be written; no half file is left.
    """
    Store.open(where).close()
    if to.exists():
        raise Problem(f"{to} exists already; give the backup another name.")
    part = to.with_name(f"{to.name}.part")
    try:
        url = url_of(where)
        if url.get_backend_name() == "sqlite":
            _copy(Path(str(url.database)), part)
        else:
            _run("pg_dump", url, ["--format=custom", "--no-owner", f"--file={part}"])
        write_whole(_checksum(to), f"{file_sum(part)}  {to.name}\n".encode())
        part.replace(to)
    except OSError as wrong:
        raise Problem(f"The backup {to} cannot be written ({wrong.strerror}); see that the folder has room.") from None
    finally:
        part.unlink(missing_ok=True)


def restore(file: Path, where: str) -> None:
    """Makes a store of a backup. It must not be there yet: a file that does not exist, or an empty database.

    Raises:
        Problem: if the backup cannot be read or is not what was written, or there is something already.
    """
    if not file.is_file():
        raise Problem(f"There is no backup {file}; check the name.")
    try:
        written = _checksum(file).read_text(encoding="utf-8").split()
    except (OSError, ValueError):
        raise Problem(
            f"The backup has no checksum {_checksum(file)}; fetch it from where the backup was made. Of a backup that "
            f"never had one, make it, if you trust that file: sha256sum {file.name} > {_checksum(file).name}"
        ) from None
    if written[:1] != [file_sum(file)]:
        raise Problem(f"The backup {file} is not what was written: its checksum is another. Use an older backup.")
    url = url_of(where)
    if url.get_backend_name() == "sqlite":
        to = Path(str(url.database))
        if to.exists():
            raise Problem(f"{to} exists already; move it away, or restore under another name.")
        part = to.with_name(f"{to.name}.part")
        try:
            _copy(file, part)
            part.replace(to)
        finally:
            part.unlink(missing_ok=True)
    else:
        Store.must_be_empty(where)
        _run("pg_restore", url, ["--no-owner", "--single-transaction", "--exit-on-error", str(file)])
    Store.open(where).close()


def _checksum(of: Path) -> Path:
    """Where the checksum of a backup lies; as sha256sum writes and checks it."""
    return of.with_name(f"{of.name}.sha256")


def _copy(of: Path, to: Path) -> None:
    try:
        source = sqlite3.connect(f"{of.resolve().as_uri()}?mode=ro", uri=True)
        target = sqlite3.connect(to)
        try:
            source.backup(target)
            (found,) = target.execute("PRAGMA integrity_check(1)").fetchone()
            if found != "ok":
                raise Problem(f"{of} is damaged ({found}); use an older backup.")
            target.execute("PRAGMA journal_mode = DELETE")  # one file, to be carried
        finally:
            source.close()
            target.close()
    except sqlite3.Error as wrong:
        raise Problem(f"{of} cannot be copied to {to} ({wrong}); see that both can be used and have room.") from None


def _run(program: str, url: URL, arguments: list[str]) -> None:
    found = shutil.which(program) or next(
        (str(path) for path in sorted(Path("/usr/lib/postgresql").glob(f"*/bin/{program}"), reverse=True)), None
    )
    if found is None:
        raise Problem(f"The program {program} is missing; install it with: apt-get install postgresql-client")
    environment = {**os.environ, **({"PGPASSWORD": str(url.password)} if url.password else {})}
    # The password goes by the environment: everybody on the machine can read a command line.
    target = url.set(drivername="postgresql")._replace(password=None).render_as_string(hide_password=False)
    done = subprocess.run(
        [found, f"--dbname={target}", *arguments], env=environment, capture_output=True, text=True, check=False
    )
    if done.returncode:
        cause = (done.stderr.strip().splitlines() or ["no reason given"])[0]
        raise Problem(f"{program} did not do it ({cause}); nothing in the store was changed.")
