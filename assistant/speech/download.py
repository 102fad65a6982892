"""Downloads a file."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import requests

from assistant.errors import Problem

CHUNK_BYTES = 1 << 16  # some hundred steps of progress for the smallest archive, thousands for the largest
TIMEOUT_S = 30  # without a byte: long enough for a phone that changes cells

Progress = Callable[[int, int], None] | None
"""Told the bytes that are here and the bytes of the whole, 0 when the server does not say."""


def download(url: str, target: Path, limit_bytes: int, progress: Progress = None) -> None:
    """Brings `url` to the new file `target`.

    limit_bytes: of the whole file; a server that sends more is refused.

    Raises Problem for too much data and for a connection that breaks, OSError when the disk refuses; nothing is kept.
    """
    here = 0
    try:
        with requests.get(url, stream=True, timeout=TIMEOUT_S) as answer, target.open("xb") as file:
            answer.raise_for_status()
            whole = int(answer.headers.get("Content-Length", 0))
            for chunk in answer.iter_content(CHUNK_BYTES):
                here += len(chunk)
                if max(here, whole) > limit_bytes:
                    raise Problem(
                        f"{url} sends more than the {limit_bytes / 1e6:.0f} MB allowed for it; nothing "
                        "was kept, so check the address and the size in the manifest."
                    )
                file.write(chunk)
                if progress:
                    progress(here, whole)
    except BaseException as wrong:
        target.unlink(missing_ok=True)
        if isinstance(wrong, requests.HTTPError):
            told = f"The server answers: {wrong}; try again later, or check the address in the manifest."
        elif isinstance(wrong, requests.RequestException):
            kind = type(wrong).__name__
            told = f"The connection to {url} broke ({kind}); nothing was kept, so run the same command again."
        else:
            raise
        raise Problem(told) from wrong
