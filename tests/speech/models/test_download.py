"""Downloads against a local server: cut, stalled, replaced, too long, wrong."""

import pytest

from assistant.errors import Problem
from assistant.speech import download as download_module
from assistant.speech.download import download


@pytest.fixture
def target(tmp_path):
    (tmp_path / "downloads").mkdir()
    return tmp_path / "downloads" / "small.zip"


def fetch(server, target, limit_bytes=10_000_000, progress=None):
    download(server.url, target, limit_bytes, progress)


def test_a_whole_download_arrives_and_its_progress_is_told(server, target):
    told = []
    fetch(server, target, progress=lambda here, whole: told.append((here, whole)))
    size = len(server.content)
    assert target.read_bytes() == server.content
    assert told[-1] == (size, size)
    assert len(told) > 3
    assert told == sorted(told)
    assert list(target.parent.iterdir()) == [target]


def test_a_cut_download_keeps_nothing_and_is_begun_again(server, target):
    server.cuts = [150_000]
    with pytest.raises(Problem, match="nothing was kept, so run the same command again"):
        fetch(server, target)
    assert list(target.parent.iterdir()) == []
    fetch(server, target)
    assert target.read_bytes() == server.content


def test_a_stalled_connection_is_dropped(server, target, monkeypatch):
    monkeypatch.setattr(download_module, "TIMEOUT_S", 0.2)
    server.cuts, server.stalls = [150_000], [0.6]
    with pytest.raises(Problem, match="run the same command again"):
        fetch(server, target)
    fetch(server, target)
    assert target.read_bytes() == server.content


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
    assert server.asked == 1


def test_no_server_at_all_is_one_sentence(target, monkeypatch):
    monkeypatch.setenv("NO_PROXY", "127.0.0.1")
    with pytest.raises(Problem, match=r"The connection to http://127\.0\.0\.1:1/small\.zip broke"):
        download("http://127.0.0.1:1/small.zip", target, 10)
