"""Where things lie: the project's data folders, and those that this user has for settings, data and what is cached;
and how a file is written there whole."""

from __future__ import annotations

import errno
import os
import uuid
from pathlib import Path

import platformdirs

from assistant.errors import NotWritten

NAME = "ignition-assistant"
"""Of the user's folders."""

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


def voice_cache() -> Path:
    """Where texts that were spoken once are kept."""
    return platformdirs.user_cache_path(NAME, appauthor=False) / "voice"


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
