"""Downloads a file: pooch brings, checks and keeps it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import pooch
import requests

from assistant.errors import Problem

CHUNK_BYTES = 1 << 16  # some hundred steps of progress for the smallest archive, thousands for the largest
TIMEOUT_S = 30  # without a byte; pooch's own default, long enough for a phone that changes cells

Progress = Callable[[int, int], None] | None
"""Told the bytes that are here and the bytes of the whole, 0 when the server does not say."""


def download(url: str, target: Path, sha256: str | None, limit_bytes: int, progress: Progress = None) -> None:
    """Brings `url` to `target` and checks its sum, when one is given.

    limit_bytes: of the whole file; a server that sends more is refused.

    Raises Problem for a sum that differs, for too much data, and for a connection that breaks, with nothing kept.
    Raises OSError when the disk refuses.
    """
    pooch.get_logger().setLevel("WARNING")  # its own lines would tear the progress bar
    watch = _Watch(url, limit_bytes, progress)
    brings = pooch.HTTPDownloader(watch, CHUNK_BYTES, timeout=TIMEOUT_S)
    try:
        pooch.retrieve(url, f"sha256:{sha256}" if sha256 else None, target.name, target.parent, downloader=brings)
    except requests.HTTPError as wrong:
        raise Problem(f"The server answers: {wrong}; try again later, or check the address in the manifest.") from wrong
    except requests.RequestException as wrong:
        raise Problem(
            f"The connection to {url} broke ({type(wrong).__name__}); nothing was kept, so run the same command again."
        ) from wrong
    except ValueError as wrong:  # pooch's word for a sum that differs; it has removed the file
        raise Problem(
            f"What {url} sent is not the archive that is known here (its SHA-256 is not {sha256}); nothing "
            "was kept, so try again, and if it stays so do not trust that server."
        ) from wrong


@dataclass
class _Watch:
    """The progress bar that pooch fills: tells how far it is, and refuses what sends too much."""

    url: str
    limit_bytes: int
    progress: Progress
    total: int = 0
    here: int = 0

    def update(self, chunk_bytes: int) -> None:
        """So much more is here; the last chunk may be shorter than it says."""
        if max(self.here, self.total) > self.limit_bytes:
            raise Problem(
                f"{self.url} sends more than the {self.limit_bytes / 1e6:.0f} MB allowed for it; nothing "
                "was kept, so check the address and the size in the manifest."
            )
        self.here += chunk_bytes
        if self.progress and self.here:
            self.progress(min(self.here, self.total or self.here), self.total)

    def reset(self) -> None:
        """Before the whole is told, at the end."""
        self.here = 0

    def close(self) -> None:
        """Nothing is left open."""
