"""Downloads a file. Pooch checks and keeps it; after a cut connection the next call asks only for what is missing."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

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

    Raises Problem for a sum that differs and for too much data, with nothing kept, and for a connection that
    breaks, with what has arrived kept for the next call. Raises OSError when the disk refuses.
    """
    pooch.get_logger().setLevel("WARNING")  # its own lines would tear the progress bar
    resuming = _Resuming(target.with_name(target.name + ".part"), limit_bytes, progress)
    try:
        pooch.retrieve(url, f"sha256:{sha256}" if sha256 else None, target.name, target.parent, downloader=resuming)
    except requests.HTTPError as wrong:
        raise Problem(f"The server answers: {wrong}; try again later, or check the address in the manifest.") from wrong
    except requests.RequestException as wrong:
        raise Problem(
            f"The connection to {url} broke ({type(wrong).__name__}); what arrived is kept, so run the same "
            "command again to go on from there."
        ) from wrong
    except ValueError as wrong:  # pooch's word for a sum that differs; it has removed the file
        raise Problem(
            f"What {url} sent is not the archive that is known here (its SHA-256 is not {sha256}); nothing "
            "was kept, so try again, and if it stays so do not trust that server."
        ) from wrong


@dataclass(frozen=True)
class _Resuming:
    """A downloader for pooch. part: where the bytes gather, across calls.

    Should the file be replaced on the server in the meantime, its sum or the archive's own refuse what was joined, and
    nothing of it is kept.
    """

    part: Path
    limit_bytes: int
    progress: Progress

    def __call__(self, url: str, output_file: str, _pooch: Any = None) -> None:
        """Brings what is missing; requests.RequestException when the connection ends too soon."""
        here = self.part.stat().st_size if self.part.exists() else 0
        # A range counts the bytes as they are sent, so they must be sent as they are in the file.
        headers = {"Accept-Encoding": "identity", **({"Range": f"bytes={here}-"} if here else {})}
        with requests.get(url, headers=headers, stream=True, timeout=TIMEOUT_S) as response:
            if response.status_code == requests.codes.requested_range_not_satisfiable:
                self.part.unlink()  # it is not the head of what the server has now
            response.raise_for_status()
            if response.status_code != requests.codes.partial_content:
                here = 0  # a server that knows no ranges sends the whole
            whole = here + int(response.headers.get("Content-Length", 0))
            with self.part.open("ab" if here else "wb") as part:
                for chunk in response.iter_content(CHUNK_BYTES):
                    here += part.write(chunk)
                    if here > self.limit_bytes:
                        break
                    if self.progress:
                        self.progress(here, whole)
        if here > self.limit_bytes:
            self.part.unlink()
            raise Problem(
                f"{url} sends more than the {self.limit_bytes / 1e6:.0f} MB allowed for it; nothing "
                "was kept, so check the address and the size in the manifest."
            )
        self.part.replace(output_file)
