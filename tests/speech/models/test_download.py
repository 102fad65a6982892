"""Downloads against a local server: cut, stalled, replaced, too long, wrong."""

import hashlib

import pytest

from assistant.errors import Problem
from assistant.speech import download as download_module
from assistant.speech.download import TRIES, download


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


def test_a_cut_connection_is_gone_on_with_not_begun_again(server, target):
    server.cuts = [150_000, 150_000]
    told = []
    fetch(server, target, hashlib.sha256(server.content).hexdigest(), progress=lambda here, _: told.append(here))
    assert target.read_bytes() == server.content
    assert server.asked[0] is None
    starts = [int(asked.removeprefix("bytes=").removesuffix("-")) for asked in server.asked[1:]]
    assert len(starts) == 2
    assert 0 < starts[0] < starts[1]
    assert told == sorted(told)  # it never falls back to the start
    # What a cut loses is at most the piece that was on its way.
    assert server.sent_bytes <= len(server.content) + 2 * download_module.CHUNK_BYTES


def test_a_stalled_connection_is_dropped_and_gone_on_with(server, target, monkeypatch):
    monkeypatch.setattr(download_module, "TIMEOUT_S", 0.2)
    server.cuts, server.stalls = [150_000], [0.6]
    fetch(server, target)
    assert target.read_bytes() == server.content
    assert len(server.asked) == 2
    assert server.asked[1].startswith("bytes=")


def test_what_arrived_is_kept_for_the_next_call_when_the_connection_stays_down(server, target):
    server.cuts = [200_000] + [0] * TRIES
    with pytest.raises(Problem, match="run the same command again to go on"):
        fetch(server, target)
    assert len(server.asked) == 1 + TRIES
    assert not target.exists()
    before = server.sent_bytes
    fetch(server, target)
    assert target.read_bytes() == server.content
    assert server.asked[-1].startswith("bytes=")
    assert server.sent_bytes - before < len(server.content)


def test_a_file_replaced_between_two_tries_is_fetched_from_its_start(server, target):
    server.cuts = [200_000] + [0] * TRIES
    with pytest.raises(Problem):
        fetch(server, target)
    server.content, server.etag = bytes(reversed(server.content)), '"second"'
    fetch(server, target)
    assert target.read_bytes() == server.content


def test_without_a_name_for_its_version_nothing_is_glued_together(server, target):
    server.etag = 'W/"about the same"'
    server.cuts = [200_000]
    fetch(server, target)
    assert target.read_bytes() == server.content
    assert server.asked == [None, None]


def test_a_server_without_ranges_is_asked_for_the_whole_again(server, target):
    server.ranges, server.cuts = False, [200_000]
    fetch(server, target)
    assert target.read_bytes() == server.content


def test_a_server_that_sends_another_range_is_not_believed(server, target):
    server.shift, server.cuts = 7, [200_000]
    fetch(server, target)
    assert target.read_bytes() == server.content
    assert server.asked[1] is not None
    assert server.asked[2] is None


def test_a_part_beyond_the_end_of_the_file_is_dropped(server, target):
    server.cuts, server.statuses = [200_000], [200, 416]
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


def test_a_file_that_is_not_there_is_asked_for_once(server, target):
    server.statuses = [404] * 9
    with pytest.raises(Problem, match="404"):
        fetch(server, target)
    assert len(server.asked) == 1


def test_a_server_in_trouble_is_asked_again(server, target):
    server.statuses = [503] * (TRIES - 1)
    fetch(server, target)
    assert target.read_bytes() == server.content
    assert len(server.asked) == TRIES


def test_a_server_in_lasting_trouble_is_given_up(server, target):
    server.statuses = [503] * 99
    with pytest.raises(Problem, match="503"):
        fetch(server, target)
    assert len(server.asked) == TRIES


def test_no_server_at_all_is_one_sentence(target, monkeypatch):
    monkeypatch.setattr(download_module, "WAIT_S", 0.0)
    monkeypatch.setenv("NO_PROXY", "127.0.0.1")
    with pytest.raises(Problem, match=r"The connection to http://127\.0\.0\.1:1/small\.zip broke"):
        download("http://127.0.0.1:1/small.zip", target, None, 10)
