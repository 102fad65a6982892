"""Unpacks a model's archive, or copies its folder, and trusts nothing in it.

Only plain files are written, only below the target, only so many and so large. They are read with the standard
library's readers, which never give more of a file than the size that is checked; owners, times and permissions are
left out.
"""

from __future__ import annotations

import bz2
import gzip
import lzma
import re
import shutil
import stat
import tarfile
import zipfile
import zlib
from collections.abc import Callable, Iterator
from functools import partial
from io import FileIO
from pathlib import Path, PurePosixPath
from typing import IO, Any, NamedTuple

from assistant.errors import Problem

ARCHIVE_SUFFIXES = (".zip", ".tar", ".tar.gz", ".tgz", ".tar.bz2", ".tbz2", ".tar.xz", ".txz")

# The largest known model that is of use here unpacks to 0.21 GB; ten times that still fits a device.
MAX_BYTES = 2_200_000_000
# Networks and graphs hardly shrink: the known archives unpack to 1.6 or 1.7 times their size. Deflate can
# reach 1,000 times, which nothing but a bomb has a use for.
MAX_RATIO = 20
# Below this much no ratio does harm, and a tar file of a few small files is mostly zeros.
RATIO_FREE_BYTES = 1_000_000
# A model has 10 to 40 files. A million empty ones would pass every limit in bytes.
MAX_FILES = 1_000
CHUNK_BYTES = 1 << 20  # of a tar file that is measured: what is in memory at a time

_COMPRESSED: dict[bytes, Callable[..., IO[Any]]] = {
    b"\x1f\x8b": gzip.open,
    b"BZh": bz2.open,
    b"\xfd7zXZ\x00": lzma.open,
}
# Nothing that some system reads as a drive, a stream, another folder or a line break.
_UNSAFE = re.compile(r'[\\:*?"<>|\x00-\x1f\x7f]')
_BROKEN = (
    zipfile.BadZipFile, tarfile.TarError, zlib.error, lzma.LZMAError, EOFError, ValueError,
    NotImplementedError, RuntimeError, OSError,
)  # fmt: skip


class _Item(NamedTuple):
    """What lies under a name. is_file, is_folder: neither is a link, a device, or a file with holes."""

    name: str
    is_file: bool
    is_folder: bool
    size_bytes: int
    open: Callable[[], IO[bytes] | None]


def unpack(source: Path, target: Path) -> None:
    """Unpacks the archive, or copies the folder, `source` into the new folder `target`.

    Raises Problem when `source` is neither a zip nor a tar archive nor a folder, is damaged, or holds what
    may not be: an absolute path, '..', a link, a device, a name twice, too many files or too much data. What
    is in `target` then is for the caller to throw away.
    """
    try:
        limit_bytes = min(MAX_BYTES, max(RATIO_FREE_BYTES, MAX_RATIO * source.stat().st_size))
        if source.is_dir():
            _write(source, _in_folder(source), target, MAX_BYTES)
        elif zipfile.is_zipfile(source):
            with zipfile.ZipFile(source) as archive:
                _write(source, _zipped(archive), target, limit_bytes)
        else:
            _measure(source, limit_bytes)
            with tarfile.open(source) as archive:
                _write(source, _tarred(archive), target, limit_bytes)
    except FileNotFoundError as wrong:
        raise Problem(f"{wrong.filename} does not exist; check the name.") from wrong
    except _BROKEN as wrong:
        what = str(wrong).partition(":\n")[0] or type(wrong).__name__
        of_the_disk = isinstance(wrong, OSError) and wrong.errno
        advice = "make room or mend it, then try again" if of_the_disk else "get a whole zip or tar archive"
        raise Problem(f"{source} cannot be unpacked ({what}); {advice}.") from wrong


def _refuse(source: Path, reason: str) -> Problem:
    return Problem(f"{source.name} was refused because {reason}; get the model from elsewhere.")


def _too_large(source: Path, limit_bytes: int) -> Problem:
    return _refuse(source, f"it unpacks to more than {limit_bytes / 1e6:.0f} MB, too much for its size")


def _write(source: Path, items: Iterator[_Item], target: Path, limit_bytes: int) -> None:
    names: set[str] = set()
    size_bytes = 0
    for item in items:
        name, path = item.name, PurePosixPath(item.name)
        if path.is_absolute() or ".." in path.parts or _UNSAFE.search(name):
            raise _refuse(source, f"it holds the path {name!r}, which could lead out of the model's folder")
        if not (item.is_file or item.is_folder):
            raise _refuse(source, f"{name!r} in it is a link or a device, not a plain file")
        if name in names:
            raise _refuse(source, f"it holds {name!r} twice")
        names.add(name)
        if len(names) > MAX_FILES:
            raise _refuse(source, f"it holds more than {MAX_FILES} files")
        size_bytes += item.size_bytes
        if size_bytes > limit_bytes:
            raise _too_large(source, limit_bytes)
        if item.is_file and (data := item.open()):
            (target / path).parent.mkdir(parents=True, exist_ok=True)
            with data, (target / path).open("xb") as out:
                shutil.copyfileobj(data, out)
    if not names:
        raise _refuse(source, "it holds no files")


def _in_folder(source: Path) -> Iterator[_Item]:
    for path in source.rglob("*"):  # does not follow links
        status = path.lstat()
        is_file, is_folder = stat.S_ISREG(status.st_mode), stat.S_ISDIR(status.st_mode)
        size_bytes = status.st_size if is_file else 0
        yield _Item(path.relative_to(source).as_posix(), is_file, is_folder, size_bytes, partial(FileIO, path))


def _zipped(archive: zipfile.ZipFile) -> Iterator[_Item]:
    for member in archive.infolist():
        # Systems without such modes leave the type out: 0 is a plain file.
        is_plain = stat.S_IFMT(member.external_attr >> 16) in (0, stat.S_IFREG, stat.S_IFDIR)
        is_file, is_folder = is_plain and not member.is_dir(), is_plain and member.is_dir()
        yield _Item(member.filename, is_file, is_folder, member.file_size, partial(archive.open, member))


def _tarred(archive: tarfile.TarFile) -> Iterator[_Item]:
    for member in archive:
        is_file = member.isreg() and not member.issparse()
        yield _Item(member.name, is_file, member.isdir(), member.size, partial(archive.extractfile, member))


def _measure(source: Path, limit_bytes: int) -> None:
    """Refuses a tar archive that is too long as a whole: a header may claim any length, and is read whole."""
    with source.open("rb") as file:
        start = file.read(6)
    opened = next((each for magic, each in _COMPRESSED.items() if start.startswith(magic)), open)
    size_bytes = 0
    with opened(source, "rb") as data:
        while chunk := data.read(CHUNK_BYTES):
            size_bytes += len(chunk)
            if size_bytes > limit_bytes:
                raise _too_large(source, limit_bytes)
