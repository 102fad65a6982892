"""Unpacking: what is whole comes out as it went in; what attacks is refused and writes nothing outside."""

import bz2
import gzip
import io
import lzma
import os
import random
import struct
import tarfile
import zipfile

import pytest

from assistant.errors import Problem
from assistant.speech import unpack as unpack_module
from assistant.speech.unpack import unpack

ARCHIVES = ["zip", "tar", "tar.gz", "tar.bz2", "tar.xz"]


@pytest.fixture
def place(tmp_path):
    """A folder whose only child may be `target`: anything else in it has escaped."""
    (tmp_path / "place").mkdir()
    return tmp_path / "place"


@pytest.fixture
def refused(tmp_path, place):
    """Unpacks bytes that must be refused; the sentence. Nothing may be written outside the target."""

    def unpack_bytes(data, match):
        archive = tmp_path / "attack.bin"
        archive.write_bytes(data)
        with pytest.raises(Problem, match=match) as problem:
            unpack(archive, place / "target")
        assert {path.name for path in place.iterdir()} <= {"target"}
        assert {path.name for path in tmp_path.iterdir()} == {"attack.bin", "place"}
        return str(problem.value)

    return unpack_bytes


def pack(build, kind, files, folder="small/"):
    return build.zip(files, folder) if kind == "zip" else build.tar(files, kind, folder)


def contents(folder):
    return {p.relative_to(folder).as_posix(): p.read_bytes() for p in folder.rglob("*") if p.is_file()}


@pytest.mark.parametrize("kind", ARCHIVES)
def test_a_whole_archive_comes_out_as_it_went_in(kind, build, tmp_path):
    archive = tmp_path / "any name"  # it is known by its content
    archive.write_bytes(pack(build, kind, build.model))
    unpack(archive, tmp_path / "target")
    assert contents(tmp_path / "target" / "small") == build.model


def test_a_folder_is_copied_and_stays(build, tmp_path):
    source = build.folder(tmp_path / "source")
    unpack(source, tmp_path / "target")
    assert contents(tmp_path / "target") == build.model == contents(source)


@pytest.mark.parametrize("kind", ARCHIVES)
@pytest.mark.parametrize(
    "name",
    [
        "/outside",
        "../outside",
        "small/../../outside",
        "a/..",
        "C:\\outside",
        "..\\outside",
        "C:outside",
        "a\nb",
    ],
)
def test_a_path_that_leads_outside_is_refused(kind, name, build, refused):
    sentence = refused(pack(build, kind, {name: b"x"}, folder=""), "could lead out of the model's folder")
    assert repr(name) in sentence


@pytest.mark.parametrize("kind", ARCHIVES)
def test_an_absolute_path_to_a_real_place_writes_nothing_there(kind, build, refused, tmp_path_factory):
    outside = tmp_path_factory.mktemp("outside") / "file"
    refused(pack(build, kind, {str(outside): b"x"}, folder=""), "could lead out")
    assert list(outside.parent.iterdir()) == []


def tar_with(kind, name="small/evil", target="", **facts):
    data = io.BytesIO()
    with tarfile.open(fileobj=data, mode="w", format=tarfile.GNU_FORMAT) as archive:
        member = tarfile.TarInfo(name)
        member.type, member.linkname = kind, target
        for fact, value in facts.items():
            setattr(member, fact, value)
        archive.addfile(member)
        after = tarfile.TarInfo(f"{name}/passwd" if target.startswith("/") else "small/after")
        after.size = 1
        archive.addfile(after, io.BytesIO(b"x"))
    return data.getvalue()


@pytest.mark.parametrize(
    ("kind", "target"),
    [
        (tarfile.SYMTYPE, "/etc"),
        (tarfile.SYMTYPE, "../.."),
        (tarfile.LNKTYPE, "/etc/passwd"),
        (tarfile.LNKTYPE, "small/other"),
        (tarfile.CHRTYPE, ""),
        (tarfile.BLKTYPE, ""),
        (tarfile.FIFOTYPE, ""),
        (tarfile.GNUTYPE_SPARSE, ""),
    ],
)
def test_links_devices_and_holes_in_tar_are_refused(kind, target, refused):
    sentence = refused(tar_with(kind, target=target), "is a link or a device, not a plain file")
    assert "'small/evil'" in sentence


@pytest.mark.parametrize("mode", [0o120777, 0o020666, 0o060666, 0o010666, 0o140777])
def test_links_and_devices_in_zip_are_refused(mode, refused):
    data = io.BytesIO()
    with zipfile.ZipFile(data, "w") as archive:
        member = zipfile.ZipInfo("small/evil")
        member.external_attr = mode << 16
        archive.writestr(member, "/etc/passwd")
    refused(data.getvalue(), "'small/evil' in it is a link or a device")


def test_a_link_in_a_folder_is_refused(build, tmp_path):
    source = build.folder(tmp_path / "source")
    (source / "graph" / "evil").symlink_to("/etc/hostname")
    with pytest.raises(Problem, match=r"'graph/evil' in it is a link or a device"):
        unpack(source, tmp_path / "target")
    (source / "graph" / "evil").unlink()
    (source / "elsewhere").symlink_to("/etc")
    with pytest.raises(Problem, match=r"'elsewhere' in it is a link or a device"):
        unpack(source, tmp_path / "target2")


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="this system has no named pipes")
def test_a_pipe_in_a_folder_is_refused_and_not_waited_for(build, tmp_path):
    source = build.folder(tmp_path / "source")
    os.mkfifo(source / "pipe")
    with pytest.raises(Problem, match=r"'pipe' in it is a link or a device"):
        unpack(source, tmp_path / "target")


@pytest.mark.parametrize("kind", ["zip", "tar.gz", "tar.bz2", "tar.xz"])
def test_a_bomb_is_refused_before_it_goes_off(kind, build, refused, place):
    sentence = refused(pack(build, kind, {"graph/Gr.fst": bytes(30_000_000)}), "it unpacks to more than")
    assert "too much for its size" in sentence
    assert contents(place) == {}


@pytest.mark.parametrize("kind", ["zip", "tar.gz"])
def test_a_small_archive_may_shrink_as_it_likes(kind, build, tmp_path):
    archive = tmp_path / "small"
    archive.write_bytes(pack(build, kind, {"graph/Gr.fst": bytes(900_000)}))
    unpack(archive, tmp_path / "target")
    assert contents(tmp_path / "target") == {"small/graph/Gr.fst": bytes(900_000)}


@pytest.mark.parametrize("kind", ARCHIVES)
def test_the_limit_counts_all_files_together(kind, build, refused, monkeypatch):
    files = {f"{n}": random.Random(n).randbytes(20_000) for n in range(4)}
    monkeypatch.setattr(unpack_module, "MAX_BYTES", 79_999)
    refused(pack(build, kind, files), "it unpacks to more than")


def test_the_limit_holds_for_a_folder(build, tmp_path, monkeypatch):
    source = build.folder(tmp_path / "source")
    size = sum(len(content) for content in build.model.values())
    monkeypatch.setattr(unpack_module, "MAX_BYTES", size - 1)
    with pytest.raises(Problem, match="it unpacks to more than"):
        unpack(source, tmp_path / "target")


@pytest.mark.parametrize("kind", ["zip", "tar.gz"])
def test_too_many_empty_files_are_refused(kind, build, refused):
    refused(pack(build, kind, {f"{n}": b"" for n in range(unpack_module.MAX_FILES + 1)}), "more than 1000 files")


def test_too_many_files_in_a_folder_are_refused(build, tmp_path):
    source = build.folder(tmp_path / "source", {f"{n}": b"" for n in range(unpack_module.MAX_FILES + 1)})
    with pytest.raises(Problem, match="more than 1000 files"):
        unpack(source, tmp_path / "target")


def test_a_bomb_in_a_tar_header_is_refused(refused):
    header = tarfile.TarInfo("././@PaxHeader")
    header.type, header.size = tarfile.XHDTYPE, 50_000_000
    bomb = gzip.compress(header.tobuf(tarfile.USTAR_FORMAT) + bytes(50_000_000))
    refused(bomb, "it unpacks to more than")


def test_a_zip_that_lies_about_a_size_is_refused(build, refused, place):
    data = bytearray(build.zip({"a": bytes(500_000)}))
    entry = data.index(b"PK\x01\x02")  # the directory's entry: its uncompressed size lies 24 bytes in
    assert struct.unpack_from("<I", data, entry + 24) == (500_000,)
    struct.pack_into("<I", data, entry + 24, 10)
    refused(bytes(data), "cannot be unpacked")
    assert sum(len(content) for content in contents(place).values()) <= 10


@pytest.mark.parametrize("kind", ["zip", "tar"])
def test_a_name_that_comes_twice_is_refused(kind, refused):
    data = io.BytesIO()
    if kind == "zip":
        with zipfile.ZipFile(data, "w") as archive:
            archive.writestr("small/a", b"good")
            with pytest.warns(UserWarning, match="Duplicate"):
                archive.writestr("small/a", b"evil")
    else:
        with tarfile.open(fileobj=data, mode="w") as archive:
            for content in (b"good", b"evil"):
                member = tarfile.TarInfo("small/a")
                member.size = 4
                archive.addfile(member, io.BytesIO(content))
    refused(data.getvalue(), "it holds 'small/a' twice")


def test_a_password_is_not_asked_for(build, refused):
    data = bytearray(build.zip({"a": b"secret"}))
    data[6] |= 1  # the flag of the member, and below that of the directory's entry
    data[data.index(b"PK\x01\x02") + 8] |= 1
    refused(bytes(data), "cannot be unpacked")


@pytest.mark.parametrize("kind", ARCHIVES)
def test_half_an_archive_is_refused(kind, build, refused):
    whole = pack(build, kind, build.model)
    refused(whole[: len(whole) // 2], r"cannot be unpacked .*get a whole zip or tar archive")


@pytest.mark.parametrize("wrap", [bytes, gzip.compress, bz2.compress, lzma.compress])
@pytest.mark.parametrize("data", [b"", b"just words, no archive", b"PK\x03\x04 and then nothing"])
def test_what_is_no_archive_is_refused(wrap, data, refused):
    refused(wrap(data), "cannot be unpacked|it holds no files")


def test_damage_inside_is_found(build, refused):
    data = bytearray(build.zip(build.model))
    data[1_000] ^= 0xFF
    refused(bytes(data), "cannot be unpacked")


def test_permissions_in_the_archive_are_ignored(tmp_path):
    archive = tmp_path / "a.tar"
    data = io.BytesIO()
    with tarfile.open(fileobj=data, mode="w") as tar:
        member = tarfile.TarInfo("tool")
        member.size, member.mode = 1, 0o6777
        tar.addfile(member, io.BytesIO(b"x"))
    archive.write_bytes(data.getvalue())
    unpack(archive, tmp_path / "target")
    assert (tmp_path / "target" / "tool").stat().st_mode & 0o7111 == 0


def test_a_source_that_is_not_there_is_one_sentence(tmp_path):
    with pytest.raises(Problem, match=r"nothing\.zip does not exist"):
        unpack(tmp_path / "nothing.zip", tmp_path / "target")


def test_a_full_disk_is_told_as_such(build, tmp_path, monkeypatch):
    source = build.folder(tmp_path / "source")

    def full(*_args, **_kwargs):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("shutil.copyfile", full)
    with pytest.raises(Problem, match=r"No space left on device.*make room"):
        unpack(source, tmp_path / "target")
