"""A small part of `make torture`; the whole of it takes minutes."""

import torture


def test_kill_9_loses_no_acknowledged_reading_and_the_visit_goes_on_at_its_step():
    killed = torture.kill(12)
    assert killed.kills == 12
    assert killed.acknowledged > 5
    assert (killed.lost, killed.unsound, killed.wrong_step) == ([], [], [])


def test_every_flipped_byte_is_found():
    flipped = torture.flip(every=977)
    assert sum(flipped.made.values()) > 80
    assert {"visit.sqlite", "visit.seal.jsonl", "0001.flac"} <= set(flipped.made)
    assert flipped.missed == []


def test_a_full_disk_is_told_aloud_and_the_visit_goes_on_when_there_is_room():
    filled = torture.fill(2)
    assert (filled.times, filled.told, filled.not_finished, filled.lost) == (2, 2, 0, [])
