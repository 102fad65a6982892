"""Downloads that go on where a cut connection left them: pooch checks and keeps the file, this brings it."""

from __future__ import annotations

import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pooch
import requests

from assistant.errors import Problem

Progress = Callable[[int, int], None]
"""Told the bytes that are here and the bytes of the whole, 0 when the server does not say."""

CHUNK_BYTES = 1 << 16  # some hundred steps of progress for the smallest archive, thousands for the largest
TIMEOUT_S = 30  # without a byte; pooch's own default, long enough for a phone that changes cells
TRIES = 5  # in a row that bring nothing; a try that brings something starts the count again
WAIT_S = 2.0  # between tries: a router that restarts a link needs seconds, and a server must not be hammered


def download(url: str, target: Path, sha256: str | None, limit_bytes: int, progress: Progress | None = None) -> None:
    """Brings `url` to `target` and checks its sum, when one is given.

    limit_bytes: of the whole file; a server that sends more is refused.

    Raises Problem for a sum that differs and for too much data, with nothing kept, and for a connection that
    stays down, with what has arrived kept for the next call. Raises OSError when the disk refuses.
    """
    pooch.get_logger().setLevel("WARNING")  # its own lines would tear the progress bar
    try:
        pooch.retrieve(
            url,
            known_hash=f"sha256:{sha256}" if sha256 else None,
            path=target.parent,
            fname=target.name,
            downloader=ResumingDownloader(target.with_name(target.name + ".part"), limit_bytes, progress),
        )
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


class ResumingDownloader:
    """A downloader for pooch that asks only for the bytes that it lacks.

    part: where the bytes gather, across calls. Beside it lies what the server calls this version of the file,
    so that a file replaced in the meantime is fetched from its start, not glued to the old one's head.
    """

    def __init__(self, part: Path, limit_bytes: int, progress: Progress | None = None) -> None:
        self._part, self._limit_bytes = part, limit_bytes
        self._version = part.with_name(part.name + ".version")
        self._progress = progress or (lambda _here, _whole: None)

    def __call__(self, url: str, output_file: str, _pooch: Any = None) -> None:
        """Brings the whole file over as many connections as it takes; RequestException when none helps."""
        failures = 0
        while True:
            before = self._here()
            try:
                self._go_on(url)
                break
            except requests.RequestException as wrong:
                status = wrong.response.status_code if wrong.response is not None else 0
                if status == requests.codes.requested_range_not_satisfiable:
                    self._forget()  # the part is not the head of what the server has now
                elif 400 <= status < 500:
                    raise  # asking again brings the same answer
                failures = 0 if self._here() > before else failures + 1
                if failures == TRIES:
                    raise
                time.sleep(WAIT_S)
        self._part.replace(output_file)
        self._forget()

    def _here(self) -> int:
        return self._part.stat().st_size if self._part.exists() else 0

    def _forget(self) -> None:
        self._part.unlink(missing_ok=True)
        self._version.unlink(missing_ok=True)

    def _go_on(self, url: str) -> None:
        """One connection: appends what it brings; requests.RequestException when it ends too soon."""
        here = self._here()
        version = self._version.read_text(encoding="utf-8") if self._version.exists() else ""
        # A range counts the bytes as they are sent, so they must be sent as they are in the file.
        headers = {"Accept-Encoding": "identity"}
        if here and version:
            headers |= {"Range": f"bytes={here}-", "If-Range": version}
        with requests.get(url, headers=headers, stream=True, timeout=TIMEOUT_S) as response:
            response.raise_for_status()
            if response.status_code != requests.codes.partial_content:
                here = 0  # the whole file: another version, or a server that knows no ranges
            elif not response.headers.get("Content-Range", "").startswith(f"bytes {here}-"):
                self._forget()
                raise requests.ConnectionError("the server sent another range than asked for")
            whole = here + int(response.headers.get("Content-Length", 0))
            self._version.write_text(_version(response), encoding="utf-8")
            with self._part.open("ab" if here else "wb") as part:
                for chunk in response.iter_content(CHUNK_BYTES):
                    part.write(chunk)
                    here += len(chunk)
                    if here > self._limit_bytes:
                        break
                    self._progress(here, whole)
        if here > self._limit_bytes:
            self._forget()
            raise Problem(
                f"{url} sends more than the {self._limit_bytes / 1e6:.0f} MB allowed for it; nothing "
                "was kept, so check the address and the size in the manifest."
            )
        if here < whole:
            raise requests.ConnectionError(f"{whole - here} bytes are missing")


def _version(response: requests.Response) -> str:
    """What names this version of the file to the byte, or '' when the server gives nothing that does."""
    tag = response.headers.get("ETag", "")
    return response.headers.get("Last-Modified", "") if not tag or tag.startswith("W/") else tag
