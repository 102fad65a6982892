"""Downloads against a local server: cut, stalled, replaced, too long, wrong."""

import hashlib

import pytest

from assistant.errors import Problem
from assistant.speech import download as download_module
from assistant.speech.download import download


@pytest.fixture
def target(tmp_path):
    (tmp_path / "downloads").mkdir()
    return tmp_path / "downloads" / "small.zip"


def fetch(server, target, sha256=None, limit_bytes=10_000_000, progress=None):
    download(server.url, target, sha256, limit_bytes, progress)


def test_a_whole_download_arrives_and_its_progress_is_told(server, target):
    told = []
    fetch(server, target, progress=lambda here, whole: told.append((here, whole)))
    size = len(server.content)
    assert target.read_bytes() == server.content
    assert told[-1] == (size, size)
    assert len(told) > 3
    assert told == sorted(told)
    assert list(target.parent.iterdir()) == [target]


def cut(server, target, *cuts):
    """A download whose connection is dropped after so many bytes; then the server is well again."""
    server.cuts = list(cuts)
    with pytest.raises(Problem, match="run the same command again to go on"):
        fetch(server, target)
    assert not target.exists()


def test_a_cut_download_is_gone_on_with_not_begun_again(server, target):
    cut(server, target, 150_000)
    cut(server, target, 150_000)
    told = []
    fetch(server, target, hashlib.sha256(server.content).hexdigest(), progress=lambda here, _: told.append(here))
    assert target.read_bytes() == server.content
    assert server.asked[0] is None
    starts = [int(asked.removeprefix("bytes=").removesuffix("-")) for asked in server.asked[1:]]
    assert len(starts) == 2
    assert 0 < starts[0] < starts[1] < told[0]
    assert told == sorted(told)
    # What a cut loses is at most the piece that was on its way.
    assert server.sent_bytes <= len(server.content) + 2 * download_module.CHUNK_BYTES
    assert list(target.parent.iterdir()) == [target]


def test_a_stalled_connection_is_dropped(server, target, monkeypatch):
    monkeypatch.setattr(download_module, "TIMEOUT_S", 0.2)
    server.stalls = [0.6]
    cut(server, target, 150_000)
    fetch(server, target)
    assert target.read_bytes() == server.content


def test_a_file_replaced_in_the_meantime_is_refused_and_then_fetched_from_its_start(server, target):
    cut(server, target, 200_000)
    server.content = bytes(reversed(server.content))
    known = hashlib.sha256(server.content).hexdigest()
    with pytest.raises(Problem, match="is not the archive that is known here"):
        fetch(server, target, known)
    assert list(target.parent.iterdir()) == []
    fetch(server, target, known)
    assert target.read_bytes() == server.content


def test_a_server_without_ranges_is_asked_for_the_whole_again(server, target):
    server.ranges = False
    cut(server, target, 200_000)
    fetch(server, target)
    assert target.read_bytes() == server.content


def test_a_part_beyond_the_end_of_the_file_is_dropped(server, target):
    cut(server, target, 200_000)
    server.statuses = [416]
    with pytest.raises(Problem, match="416"):
        fetch(server, target)
    fetch(server, target)
    assert target.read_bytes() == server.content
    assert [asked is None for asked in server.asked] == [True, False, True]


def test_a_wrong_sum_is_refused_and_nothing_is_kept(server, target):
    with pytest.raises(Problem, match="is not the archive that is known here") as refused:
        fetch(server, target, sha256="0" * 64)
    assert server.url in str(refused.value)
    assert list(target.parent.iterdir()) == []


def test_more_than_may_come_is_refused_and_nothing_is_kept(server, target):
    with pytest.raises(Problem, match="sends more than the"):
        fetch(server, target, limit_bytes=len(server.content) - 1)
    assert list(target.parent.iterdir()) == []
    fetch(server, target, limit_bytes=len(server.content))
    assert target.read_bytes() == server.content


@pytest.mark.parametrize("status", [404, 503])
def test_a_server_that_refuses_is_one_sentence(server, target, status):
    server.statuses = [status]
    with pytest.raises(Problem, match=f"{status}.*; try again later"):
        fetch(server, target)
    assert len(server.asked) == 1


def test_no_server_at_all_is_one_sentence(target, monkeypatch):
    monkeypatch.setenv("NO_PROXY", "127.0.0.1")
    with pytest.raises(Problem, match=r"The connection to http://127\.0\.0\.1:1/small\.zip broke"):
        download("http://127.0.0.1:1/small.zip", target, None, 10)
