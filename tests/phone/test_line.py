"""A phone's line over its real socket: who is let in, what is heard and played, and how it is lost and found."""

from __future__ import annotations

import io
import json
import ssl
import threading
import time
import urllib.request
from contextlib import suppress

import numpy as np
import pytest
from client import Phone
from desk import Desk, free_port
from rich.console import Console
from websockets.exceptions import ConnectionClosed, InvalidStatus
from websockets.sync.client import connect

from assistant.cli.by_phone import show
from assistant.errors import Problem
from assistant.phone import tls
from assistant.phone.line import AHEAD_S, HEAD
from assistant.phone.server import Place, serving
from assistant.speech.audio import Audio
from assistant.speech.devices import MicrophoneLost
from assistant.speech.player import PlayerError
from assistant.wording import phone as wording

RATE = 16_000
TONE = Audio((3000 * np.sin(np.arange(RATE) / 5)).astype(np.int16), RATE)


def wait_for(what, limit_s=5.0):
    until = time.monotonic() + limit_s
    while not what():
        assert time.monotonic() < until
        time.sleep(0.01)


def closed(phone):
    """Why a phone was sent away."""
    wait_for(lambda: phone.closed)
    return phone.closed


def joined(desk, **more):
    phone = desk.phone(**more)
    wait_for(lambda: phone.key and desk.route.recover())
    return phone


# --- who is let in


def test_the_code_lets_one_phone_in_which_alone_comes_back(desk):
    code = desk.lines[0].code
    first = joined(desk)
    assert closed(desk.phone(code)) == (4000, wording.WRONG_CODE)
    assert closed(desk.phone("guess")) == (4000, wording.WRONG_CODE)
    assert closed(desk.phone("", key="guess")) == (4000, wording.WRONG_CODE)
    assert desk.lines[0].joined.is_set()
    first.cut()
    wait_for(lambda: not desk.lines[0].joined.is_set())
    assert closed(desk.phone(code)) == (4000, wording.WRONG_CODE)
    desk.phone("", key=first.key)
    wait_for(desk.lines[0].joined.is_set)


def test_each_sentence_fits_a_close_frame():
    refusals = [text for name, text in vars(wording).items() if name.isupper() and isinstance(text, str)]
    sent = [wording.WRONG_CODE, wording.SECOND_PAGE, wording.BLOCK_SIZE, wording.WRONG_RATE]
    assert all(len(text.format(rate=192_000).encode()) <= 123 for text in [*sent, wording.NO_MESSAGE, wording.OVER])
    assert len(wording.NO_RATE.format(low=8_000, high=192_000)) <= 123
    assert set(sent) <= set(refusals)


def test_a_second_page_of_the_same_phone_takes_over_and_the_first_is_told(desk):
    first = joined(desk)
    second = desk.phone("", key=first.key)
    assert closed(first) == (4000, wording.SECOND_PAGE)
    assert second.closed is None
    with pytest.raises(MicrophoneLost):  # what was under way is not gone on with
        desk.route.microphone.take(0.1)


@pytest.mark.parametrize("origin", ["http://evil.example", "http://localhost:1", "https://localhost", "null"])
def test_a_foreign_origin_is_refused(desk, origin):
    with pytest.raises(InvalidStatus) as refused:
        Phone(origin, desk.lines[0].code, address=desk.place.origin)
    assert refused.value.response.status_code == 403
    assert refused.value.response.body.decode() == wording.FOREIGN
    assert desk.lines[0].code  # nothing was used up


def test_a_foreign_name_is_refused_for_the_page_and_for_the_socket(desk):
    for path in ("/", f"/now/{desk.server.look}"):
        asked = urllib.request.Request(desk.place.origin + path, headers={"Host": "evil.example"})
        with pytest.raises(urllib.error.HTTPError) as refused:
            urllib.request.urlopen(asked)
        assert refused.value.read().decode() == wording.OTHER_NAME
    with pytest.raises(InvalidStatus) as refused:
        Phone(desk.place.origin, desk.lines[0].code, address=f"http://127.0.0.1:{desk.place.port}")
    assert refused.value.response.body.decode() == wording.OTHER_NAME


def test_the_view_without_sound_needs_its_own_address(desk):
    with urllib.request.urlopen(f"{desk.place.origin}/now/{desk.server.look}") as answer:
        assert "No visit was begun here yet." in answer.read().decode()
    for path in ("/now/guess", "/now/guess/glance"):
        with pytest.raises(urllib.error.HTTPError) as refused:
            urllib.request.urlopen(desk.place.origin + path)
        assert refused.value.code == 404


@pytest.mark.parametrize("rate_hz", [0, 7_999, 192_001, "16000", None, 16_000.5])
def test_a_rate_that_no_microphone_has_is_refused(desk, rate_hz):
    told = wording.NO_RATE.format(low=8_000, high=192_000)
    address = desk.place.origin.replace("http", "ws") + "/phone/sound"
    with connect(address, origin=desk.place.origin) as socket:
        socket.send(json.dumps({"code": desk.lines[0].code, "rate_hz": rate_hz}))
        with pytest.raises(ConnectionClosed):
            socket.recv(5)
        assert (socket.close_code, socket.close_reason) == (4000, told)


@pytest.mark.parametrize(
    ("message", "told"),
    [
        (HEAD.pack(0, 0) + bytes(2 * RATE), wording.BLOCK_SIZE),
        (HEAD.pack(0, 0) + bytes(3), wording.BLOCK_SIZE),
        (HEAD.pack(0, 0), wording.BLOCK_SIZE),
        (b"", wording.NO_MESSAGE),
        ("no json", wording.NO_MESSAGE),
        ("[]", wording.NO_MESSAGE),
        ('{"played": "x"}', wording.NO_MESSAGE),
    ],
)
def test_what_is_no_message_of_the_page_ends_the_line(desk, message, told):
    phone = joined(desk)
    wait_for(lambda: desk.route.microphone.clock.end)
    phone.socket.send(message)
    assert closed(phone) == (4000, told)
    with pytest.raises(MicrophoneLost):
        desk.route.microphone.take(0.1)


@pytest.mark.parametrize("first", [-5.0, float("nan"), float("inf")])
def test_sound_that_does_not_follow_is_lost_and_the_phone_may_come_back(desk, first):
    phone = joined(desk)
    wait_for(lambda: desk.route.microphone.clock.end)
    phone.socket.send(HEAD.pack(first, 0) + bytes(100))
    code, told = closed(phone)
    assert (code, told[:31]) == (4002, "The sound came in a wrong order")
    with pytest.raises(MicrophoneLost):
        desk.route.microphone.take(0.1)
    desk.phone("", key=phone.key)
    wait_for(desk.route.recover)


def test_a_message_beyond_all_size_is_not_even_read(desk):
    phone = joined(desk)
    with suppress(ConnectionClosed, OSError):  # it is closed while this is still being sent
        phone.socket.send(bytes(1_100_000))
    assert closed(phone)[0] in (1009, 1006)  # the close may be lost in what is still being sent


def test_more_sound_than_its_rate_gives_is_refused(desk):
    phone = joined(desk)
    with suppress(ConnectionClosed):  # it is closed while this is still being sent
        for _ in range(round((AHEAD_S + 1) * RATE / 384)):
            with phone._lock:
                phone.socket.send(phone.block(np.zeros(384, np.int16)))
                phone.frame += 384
    assert closed(phone) == (4000, wording.WRONG_RATE.format(rate=RATE))


# --- HTTPS


@pytest.fixture
def secure(tmp_path):
    desk = Desk(tmp_path, tls.own("localhost", tmp_path))
    with serving(desk.server, desk.place):
        yield desk


def test_plain_http_is_answered_by_one_sentence_and_https_by_the_page(secure, tmp_path):
    with pytest.raises(urllib.error.HTTPError) as refused:
        urllib.request.urlopen(secure.place.origin.replace("https", "http"))
    assert refused.value.read().decode() == wording.PLAIN + "\n"
    trusting = ssl.create_default_context(cafile=tmp_path / "localhost.pem")
    with urllib.request.urlopen(secure.place.origin, context=trusting) as page:
        assert "Tap to start" in page.read().decode()
    presented = ssl.get_server_certificate(("localhost", secure.place.port))
    der = ssl.PEM_cert_to_DER_cert(presented)
    import hashlib

    assert hashlib.sha256(der).hexdigest() == secure.place.certificate.fingerprint.replace(":", "").lower()


def test_the_certificate_is_kept_for_its_address_and_its_key_is_this_user_s_alone(tmp_path):
    first = tls.own("192.0.2.7", tmp_path)
    assert tls.own("192.0.2.7", tmp_path).fingerprint == first.fingerprint
    assert tls.own("192.0.2.8", tmp_path).fingerprint != first.fingerprint
    assert (tmp_path / "192.0.2.7.pem").stat().st_mode & 0o077 == 0


def test_a_shop_s_certificate_is_taken_and_one_that_cannot_be_is_told(tmp_path):
    tls.own("192.0.2.7", tmp_path)
    assert tls.given(tmp_path / "192.0.2.7.pem").fingerprint
    (tmp_path / "no.pem").write_text("nothing")
    for name in ("no.pem", "not-there.pem"):
        with pytest.raises(Problem, match="cannot be used"):
            tls.given(tmp_path / name)


def test_a_port_in_use_is_told(desk):
    with pytest.raises(Problem, match="Choose another --phone-port"), serving(desk.server, desk.place):
        pass
    assert Place("fd00::7", free_port(), None).origin.startswith("http://[fd00::7]:")


def test_what_is_printed_stands_in_the_order_in_which_it_is_done(tmp_path):
    desk, printed = Desk(tmp_path, tls.own("localhost", tmp_path)), io.StringIO()
    show(desk.server, desk.lines, Console(file=printed, width=200, emoji=False))
    words = [line.strip() for line in printed.getvalue().splitlines() if line.strip(" ▀▄█")]
    assert words == [
        f"Scan this with the phone, or open it there: {desk.place.origin}/#{desk.lines[0].code}",
        f"Scan this with the helper's phone, or open it there: {desk.place.origin}/#{desk.lines[1].code}",
        wording.FINGERPRINT.format(fingerprint=desk.place.certificate.fingerprint),
        wording.TAP,
        wording.LOOK.format(address=f"{desk.place.origin}/now/{desk.server.look}"),
        wording.WAITS,
    ]


# --- the sound


def taken(microphone, seconds):
    """What is heard for so long."""
    blocks, until = [], time.monotonic() + seconds
    while time.monotonic() < until:
        if (block := microphone.take(0.05)) is not None:
            blocks.append(block)
    return np.concatenate(blocks)


def test_what_is_said_is_heard_and_its_own_voice_is_not(desk):
    phone, microphone = joined(desk), desk.route.microphone
    phone.say(TONE.samples)
    assert np.abs(taken(microphone, 1.2)).max() > 2500
    assert desk.route.player.play(Audio(TONE.samples[:4000], RATE)).complete
    (_, until, total), *_ = phone.played
    assert total == 4000
    microphone.discard()
    assert microphone.clock.end >= until  # even what was still on its way
    facts = desk.route.facts
    assert facts["microphone"]["rate_hz"] == RATE


def test_another_rate_is_made_sixteen_thousand_at_the_edge(desk):
    phone, microphone = joined(desk, rate_hz=48_000), desk.route.microphone
    assert not microphone.is_narrow
    heard = taken(microphone, 1.0)
    assert len(heard) == pytest.approx(RATE, rel=0.15)
    assert desk.route.player.play(Audio(TONE.samples[:4000], RATE)).total_samples == 12_000
    del phone


def test_a_missing_block_is_a_gap_of_its_length(desk):
    phone, microphone = joined(desk), desk.route.microphone
    taken(microphone, 0.3)
    with phone._lock:
        phone.frame += 1600
    taken(microphone, 0.3)
    assert microphone.overflows == 1
    ((what, facts),) = desk.route.notices()
    assert (what, facts["seconds"]) == ("sound missing", 0.1)
    assert list(desk.route.notices()) == []


def test_a_sound_that_is_stopped_is_not_complete(desk):
    joined(desk, speed=0.5)
    desk.phones[0]._play = lambda number, total: desk.phones[0].tell(
        {"played": number, "samples": total // 2, "from": 0, "frame": 0, "over": True}
    )
    played = desk.route.player.play(TONE)
    assert (played.played_samples, played.complete) == (RATE // 2, False)
    desk.route.player.stop()  # without effect where nothing is played


def test_a_phone_that_plays_nothing_is_told(desk):
    phone = joined(desk)
    phone._play = lambda number, total: None
    with pytest.raises(PlayerError, match="played no sound"):
        desk.route.player.play(TONE)


def test_a_cut_is_told_on_both_ways_at_once_and_what_came_before_it_is_gone(desk):
    phone, microphone = joined(desk), desk.route.microphone
    phone.say(TONE.samples)
    time.sleep(0.5)
    began = time.monotonic()
    threading.Timer(0.3, phone.cut).start()
    with pytest.raises(PlayerError, match="the network"):
        desk.route.player.play(Audio(np.tile(TONE.samples, 4), RATE))
    assert time.monotonic() - began < 2
    assert not desk.route.tell(TONE)
    again = desk.phone("", key=phone.key)
    wait_for(desk.lines[0].joined.is_set)
    with pytest.raises(MicrophoneLost):  # it is told, though the phone is back already
        microphone.take(0.1)
    assert desk.route.recover()
    assert np.abs(taken(microphone, 0.5)).max() < 1000
    assert again.closed is None
    assert any("The visit holds" in line for line in desk.told)


def test_a_phone_that_gives_no_sound_is_lost_within_two_seconds(desk):
    phone, microphone = joined(desk), desk.route.microphone
    phone._lock.acquire()  # its microphone stands still
    began = time.monotonic()
    try:
        with pytest.raises(MicrophoneLost):
            taken(microphone, 10)
        assert time.monotonic() - began < 2.5  # two seconds, and a busy machine
        wait_for(lambda: not desk.lines[0].joined.is_set())
        assert not desk.route.recover()
    finally:
        phone._lock.release()


def test_the_helper_s_phone_has_its_own_code_and_comes_back_by_itself(desk):
    joined(desk)
    helper = desk.phone(desk.lines[1].code)
    wait_for(lambda: helper.key)
    with pytest.raises(MicrophoneLost):
        desk.route.helper.take(0.0)  # it was not there before
    helper.say(TONE.samples)
    wait_for(lambda: (block := desk.route.helper.take(0.1)) is not None and np.abs(block).max() > 2500)
    helper.cut()
    wait_for(lambda: not desk.lines[1].joined.is_set())
    assert desk.route.recover()  # the technician's is there
    desk.phone("", key=helper.key)
    wait_for(desk.lines[1].joined.is_set)
    with pytest.raises(MicrophoneLost):
        desk.route.helper.take(0.0)
    wait_for(lambda: desk.route.helper.take(0.1) is not None)
    assert "helper_microphone" in desk.route.facts


def test_the_end_of_the_visit_is_told(tmp_path):
    desk = Desk(tmp_path)
    with serving(desk.server, desk.place):
        phone = joined(desk)
        desk.server.end()
        assert closed(phone) == (4001, wording.OVER)


def test_a_fault_of_the_view_does_not_end_the_sound(desk, monkeypatch):
    def broken():
        raise KeyError("a fault")

    monkeypatch.setattr(desk.server._follower, "glance", broken)
    phone = joined(desk)
    wait_for(lambda: wording.NO_VIEW in phone.now)
    assert len(taken(desk.route.microphone, 0.5))
    assert phone.closed is None
