"""Where things lie: the project's data folders, and those that this user has for settings, data and what is cached;
and how a file is written there whole."""

from __future__ import annotations

import errno
import os
import uuid
from collections.abc import Callable
from contextlib import suppress
from hashlib import file_digest, sha256
from pathlib import Path
from typing import Any

import msgspec
import platformdirs

from assistant.errors import NotWritten

NAME = "ignition-assistant"
"""Of the user's folders."""

MOST_CACHED = 300
"""Files of a kind: a visit has about a hundred questions; the oldest go, as those of an older version."""

FORMAT = 2
"""Of what is cached; another number where the same text would be kept otherwise."""

_PACKAGE = Path(__file__).parent


def top_folder(name: str) -> Path:
    """A data folder of the project: beside the package in a checkout, inside it when installed."""
    inside = _PACKAGE / "_data" / name
    return inside if inside.is_dir() else _PACKAGE.parent / name


def user_settings() -> Path:
    """Where the user's settings lie."""
    return platformdirs.user_config_path(NAME, appauthor=False)


def user_data() -> Path:
    """Where what the user fetched lies."""
    return platformdirs.user_data_path(NAME, appauthor=False)


def visits_folder() -> Path:
    """Where real visits are kept: the folder that the user chose, else one among the user's data."""
    try:
        return Path(_chosen().read_text(encoding="utf-8").strip())
    except FileNotFoundError:
        return user_data() / "visits"


def keep_visits_in(folder: Path) -> None:
    """Chooses where visits are kept from now on. Raises NotWritten."""
    user_settings().mkdir(parents=True, exist_ok=True)
    write_whole(_chosen(), f"{folder.resolve()}\n".encode())


def _chosen() -> Path:
    return user_settings() / "visits-folder"


def voice_cache() -> Path:
    """Where texts that were spoken once are kept."""
    return platformdirs.user_cache_path(NAME, appauthor=False) / "voice"


def cached(kind: str, source: str, make: Callable[[], Any]) -> Any:
    """What `make` makes of a text, plain JSON values, kept in the user's cache under the hash of that text.

    What is kept says its own hash: a file that is not what was written is made again. Deleting it costs only time.
    """
    key = sha256(f"{FORMAT} {kind} {source}".encode()).hexdigest()
    path = platformdirs.user_cache_path(NAME, appauthor=False) / kind / f"{key}.json"
    with suppress(OSError, ValueError):
        digest, _, body = path.read_bytes().partition(b"\n")
        if digest.decode() == sha256(key.encode() + body).hexdigest():
            return msgspec.json.decode(body)
    made = make()
    body = msgspec.json.encode(made)
    with suppress(OSError, NotWritten):
        path.parent.mkdir(parents=True, exist_ok=True)
        for old in sorted(path.parent.iterdir(), key=lambda each: each.stat().st_mtime)[:-MOST_CACHED]:
            old.unlink()
        write_whole(path, sha256(key.encode() + body).hexdigest().encode() + b"\n" + body)
    return made


def file_sum(path: Path) -> str:
    """SHA-256 of a file, in hexadecimal."""
    with path.open("rb") as file:
        return file_digest(file, "sha256").hexdigest()


def write_whole(path: Path, data: bytes) -> None:
    """Writes a file, synced; under `path` there is ever the whole file or what was there before.

    Raises NotWritten where it cannot be written.
    """
    beside = path.with_name(f".{path.name}.{uuid.uuid4().hex}.part")
    try:
        try:
            with beside.open("xb") as file:
                file.write(data)
                file.flush()
                os.fsync(file.fileno())
            beside.replace(path)
            _sync_folder(path.parent)
        finally:
            beside.unlink(missing_ok=True)
    except OSError as error:
        full = error.errno in (errno.ENOSPC, errno.EDQUOT, errno.EFBIG)
        fix = "free some space" if full else "make its folder one you may write to"
        why = f"{error.strerror}; {fix}, then try again"
        raise NotWritten(f"{path} could not be written: {why}.") from None


def _sync_folder(folder: Path) -> None:
    # The new name itself is lost in a power cut unless its folder is synced; not every system can.
    if hasattr(os, "O_DIRECTORY"):
        opened = os.open(folder, os.O_RDONLY | os.O_DIRECTORY)
        try:
            os.fsync(opened)
        finally:
            os.close(opened)
