"""The heads of a running visit, lodged with the shop while it can be reached."""

from __future__ import annotations

import os
import subprocess
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress

from assistant.record.record import Record


@contextmanager
def lodging(store: str) -> Iterator[Callable[[Record], None]]:
    """Gives what is to be called with the record after each turn; it never waits.

    A process of its own (`assistant shop lodge`) does the rest: what it meets, a shop that cannot be reached or that
    never answers, cannot hold up the visit. At the end it is left to itself: it lodges the last head and ends.
    """
    child = subprocess.Popen(
        [sys.executable, "-m", "assistant", "shop", "lodge"],
        stdin=subprocess.PIPE,
        stdout=subprocess.DEVNULL,
        env={**os.environ, "ASSISTANT_STORE": store},
        start_new_session=True,  # Ctrl-C ends the visit, and not the lodging of its head
    )
    assert child.stdin
    pipe = child.stdin.fileno()
    os.set_blocking(pipe, False)
    first: dict[Record, str] = {}

    def lodge(record: Record) -> None:
        if record not in first:
            first[record] = next(record.rows()).hash
        entries, head = record.last()
        with suppress(OSError):  # it is full, or nobody reads it any more
            os.write(pipe, f"{first[record]} {entries} {head}\n".encode())

    try:
        yield lodge
    finally:
        with suppress(OSError):
            child.stdin.close()
