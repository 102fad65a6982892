"""Unpacks a model's archive, or copies its folder, and trusts nothing in it.

All that is in it is looked at before any of it is written: only plain files and folders, only below the target, only
so many and so large. The standard library's readers then write them, and never more of a file than the size that was
looked at; owners and permissions are left out.
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
from pathlib import Path, PurePosixPath
from typing import IO, Any

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

Items = Iterator[tuple[str, bool, int]]
"""What is in a source: its name; whether it is a plain file or a folder, no link, device, or file with holes; bytes."""


def unpack(source: Path, target: Path) -> None:
    """Unpacks the archive, or copies the folder, `source` into the new folder `target`.

    Raises Problem when `source` is neither a zip nor a tar archive nor a folder, is damaged, or holds what
    may not be: an absolute path, '..', a link, a device, a name twice, too many files or too much data. What
    is in `target` then is for the caller to throw away.
    """
    try:
        limit_bytes = min(MAX_BYTES, max(RATIO_FREE_BYTES, MAX_RATIO * source.stat().st_size))
        if source.is_dir():
            for path in _checked(source, _in_folder(source), MAX_BYTES):
                if (source / path).is_file():
                    (target / path).parent.mkdir(parents=True, exist_ok=True)
                    shutil.copyfile(source / path, target / path)
        elif zipfile.is_zipfile(source):
            with zipfile.ZipFile(source) as archive:
                _checked(source, _zipped(archive), limit_bytes)
                archive.extractall(target)
        else:
            _measure(source, limit_bytes)
            with tarfile.open(source) as tar:
                _checked(source, _tarred(tar), limit_bytes)
                tar.extractall(target, filter=_plain)
    except FileNotFoundError as wrong:
        raise Problem(f"{wrong.filename} does not exist; check the name.") from wrong
    except _BROKEN as wrong:
        what = str(wrong).partition(":\n")[0] or type(wrong).__name__
        of_the_disk = isinstance(wrong, OSError) and wrong.errno
        advice = "make room or fix it, then try again" if of_the_disk else "get a whole zip or tar archive"
        raise Problem(f"{source} cannot be unpacked ({what}); {advice}.") from wrong


def _refuse(source: Path, reason: str) -> Problem:
    return Problem(f"{source.name} was refused because {reason}; get the model from elsewhere.")


def _too_large(source: Path, limit_bytes: int) -> Problem:
    return _refuse(source, f"it unpacks to more than {limit_bytes / 1e6:.0f} MB, too much for its size")


def _checked(source: Path, items: Items, limit_bytes: int) -> set[PurePosixPath]:
    """The paths of all that is in it."""
    paths: set[PurePosixPath] = set()
    whole_bytes = 0
    for name, is_plain, size_bytes in items:
        path = PurePosixPath(name)
        if path.is_absolute() or ".." in path.parts or _UNSAFE.search(name):
            raise _refuse(source, f"it holds the path {name!r}, which could lead out of the model's folder")
        if not is_plain:
            raise _refuse(source, f"{name!r} in it is a link or a device, not a plain file")
        if path in paths:
            raise _refuse(source, f"it holds {name!r} twice")
        paths.add(path)
        if len(paths) > MAX_FILES:
            raise _refuse(source, f"it holds more than {MAX_FILES} files")
        whole_bytes += size_bytes
        if whole_bytes > limit_bytes:
            raise _too_large(source, limit_bytes)
    if not paths:
        raise _refuse(source, "it holds no files")
    return paths


def _in_folder(source: Path) -> Items:
    for path in source.rglob("*"):  # does not follow links
        status = path.lstat()
        is_file = stat.S_ISREG(status.st_mode)
        name = path.relative_to(source).as_posix()
        yield name, is_file or stat.S_ISDIR(status.st_mode), status.st_size if is_file else 0


def _zipped(archive: zipfile.ZipFile) -> Items:
    for member in archive.infolist():
        # Systems without such modes leave the type out: 0 is a plain file.
        kind = stat.S_IFMT(member.external_attr >> 16)
        yield member.filename, kind in (0, stat.S_IFREG, stat.S_IFDIR), member.file_size


def _tarred(archive: tarfile.TarFile) -> Items:
    for member in archive:
        yield member.name, member.isdir() or (member.isreg() and not member.issparse()), member.size


def _plain(member: tarfile.TarInfo, target: str) -> tarfile.TarInfo:
    data = tarfile.data_filter(member, target)
    return data.replace(mode=0o644, deep=False) if data.isreg() else data


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
