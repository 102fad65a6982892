"""Where things lie: the project's data folders, and those that this user has for settings, data and what is cached."""

from __future__ import annotations

from pathlib import Path

import platformdirs

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
