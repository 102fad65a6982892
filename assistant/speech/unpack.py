"""Unpacks a model's archive, or copies its folder, and trusts nothing in it.

Only plain files and folders are written, only below the target, only so many and so large. Owners, times
and permissions in the archive are ignored. What is counted is what is really written: what an archive says of
itself is not believed.
"""

from __future__ import annotations

import bz2
import gzip
import lzma
import re
import stat
import tarfile
import zipfile
import zlib
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path, PurePosixPath
from typing import IO, Protocol, cast

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
CHUNK_BYTES = 1 << 20  # bounds the memory that a piece takes, and how far a limit can be overshot

# Nothing that some system reads as a drive, a stream, another folder or a line break.
_UNSAFE = re.compile(r'[\\:*?"<>|\x00-\x1f\x7f]')
_BROKEN = (
    zipfile.BadZipFile, tarfile.TarError, zlib.error, lzma.LZMAError, EOFError, ValueError,
    NotImplementedError, RuntimeError, OSError,
)  # fmt: skip


class _Readable(Protocol):
    def read(self, size: int = -1, /) -> bytes: ...


def unpack(source: Path, target: Path) -> None:
    """Unpacks the archive, or copies the folder, `source` into the new folder `target`.

    Raises Problem when `source` is neither a zip nor a tar archive nor a folder, is damaged, or holds what
    may not be: an absolute path, '..', a link, a device, a name twice, too many files or too much data. What
    is in `target` then is for the caller to throw away.
    """
    writer = _Writer(source.name, target)
    try:
        if source.is_dir():
            _copy(source, writer)
        elif _starts(source, b"PK\x03\x04"):
            _unzip(source, writer)
        else:
            _untar(source, writer)
    except FileNotFoundError as wrong:
        raise Problem(f"{wrong.filename} does not exist; check the name.") from wrong
    except FileExistsError as wrong:
        raise writer.refuse(f"it holds {wrong.filename.removeprefix(str(target))[1:]!r} twice") from wrong
    except _BROKEN as wrong:
        what = str(wrong) or type(wrong).__name__
        of_the_disk = isinstance(wrong, OSError) and wrong.errno
        advice = "make room or mend it, then try again" if of_the_disk else "get a whole zip or tar archive"
        raise Problem(f"{source} cannot be unpacked ({what}); {advice}.") from wrong
    if not writer.files:
        raise writer.refuse("it holds no files")


class _Writer:
    """Writes files below one folder and refuses what may not be."""

    def __init__(self, what: str, target: Path, max_bytes: int = MAX_BYTES) -> None:
        self._what, self._target = what, target
        self.max_bytes = max_bytes
        self.files = 0
        self._written_bytes = 0
        target.mkdir()

    def refuse(self, reason: str) -> Problem:
        """The Problem for something that may not be."""
        return Problem(f"{self._what} was refused because {reason}; get the model from elsewhere.")

    def count(self) -> None:
        """Counts one more thing, file or folder."""
        self.files += 1
        if self.files > MAX_FILES:
            raise self.refuse(f"it holds more than {MAX_FILES} files")

    def folder(self, name: str) -> None:
        """Makes the folder `name`."""
        self._path(name).mkdir(parents=True, exist_ok=True)

    def file(self, name: str, data: _Readable) -> None:
        """Writes the file `name`."""
        path = self._path(name)
        path.parent.mkdir(parents=True, exist_ok=True)
        with path.open("xb") as out:
            while chunk := data.read(CHUNK_BYTES):
                self._written_bytes += len(chunk)
                self.check(self._written_bytes)
                out.write(chunk)

    def check(self, size_bytes: int) -> None:
        """Refuses when what is unpacked in all comes to too many bytes."""
        if size_bytes > self.max_bytes:
            raise self.refuse(f"it unpacks to more than {self.max_bytes / 1e6:.0f} MB, too much for its size")

    def _path(self, name: str) -> Path:
        path = PurePosixPath(name)
        if path.is_absolute() or ".." in path.parts or _UNSAFE.search(name):
            raise self.refuse(f"it holds the path {name!r}, which could lead out of the model's folder")
        return self._target / path


def _starts(path: Path, magic: bytes) -> bool:
    with path.open("rb") as file:
        return file.read(len(magic)) == magic


def _max_bytes(source: Path) -> int:
    return min(MAX_BYTES, max(RATIO_FREE_BYTES, MAX_RATIO * source.stat().st_size))


def _copy(source: Path, writer: _Writer) -> None:
    for path in source.rglob("*"):  # does not follow links
        writer.count()
        name = path.relative_to(source).as_posix()
        mode = path.lstat().st_mode
        if stat.S_ISDIR(mode):
            writer.folder(name)
        elif stat.S_ISREG(mode):
            with path.open("rb") as data:
                writer.file(name, data)
        else:
            raise writer.refuse(f"{name!r} in it is a link or a device, not a plain file")


def _unzip(source: Path, writer: _Writer) -> None:
    writer.max_bytes = _max_bytes(source)
    with zipfile.ZipFile(source) as archive:
        for member in archive.infolist():
            writer.count()
            # Systems without such modes leave the type out: 0 is a plain file.
            kind = stat.S_IFMT(member.external_attr >> 16)
            if kind not in (0, stat.S_IFREG, stat.S_IFDIR):
                raise writer.refuse(f"{member.filename!r} in it is a link or a device, not a plain file")
            if member.is_dir():
                writer.folder(member.filename)
            else:
                with archive.open(member) as data:
                    writer.file(member.filename, data)


def _untar(source: Path, writer: _Writer) -> None:
    writer.max_bytes = _max_bytes(source)
    # The stream itself is limited too: a tar header may claim any length, and tarfile reads headers whole.
    # In this mode it asks nothing of a file object but read.
    with (
        _decompressed(source) as data,
        tarfile.open(fileobj=cast("IO[bytes]", _Limited(data, writer)), mode="r|") as archive,
    ):
        for member in archive:
            writer.count()
            if member.isdir():
                writer.folder(member.name)
            elif member.isreg() and not member.issparse() and (content := archive.extractfile(member)):
                writer.file(member.name, content)
            else:
                raise writer.refuse(f"{member.name!r} in it is a link or a device, not a plain file")


@contextmanager
def _decompressed(source: Path) -> Iterator[_Readable]:
    with source.open("rb") as file:
        magic = file.read(6)
        file.seek(0)
        if magic.startswith(b"\x1f\x8b"):
            with gzip.GzipFile(fileobj=file) as data:
                yield data
        elif magic.startswith(b"BZh"):
            with bz2.BZ2File(file) as data:
                yield data
        elif magic == b"\xfd7zXZ\x00":
            with lzma.LZMAFile(file) as data:
                yield data
        else:
            yield file


class _Limited:
    """A stream that refuses to be read beyond the writer's limit."""

    def __init__(self, data: _Readable, writer: _Writer) -> None:
        self._data, self._writer = data, writer
        self._read_bytes = 0

    def read(self, size: int = -1) -> bytes:
        chunk = self._data.read(size)
        self._read_bytes += len(chunk)
        self._writer.check(self._read_bytes)
        return chunk
