"""The page's sound in a real browser: over HTTPS, its count of samples, and another microphone."""

from __future__ import annotations

import time

import pytest
from desk import Desk
from pocket import Pocket

from assistant.phone import tls
from assistant.phone.server import serving
from assistant.wording import phone as wording

# A page that is busy with its graph: the browser's rendering thread does not get the graph, and cannot say where it is.
BUSY = """async (seconds) => {
  for (const until = performance.now() + 1000 * seconds; performance.now() < until; ) {
    for (let n = 0; n < 200; n++) {
      const source = new ConstantSourceNode(context);
      source.connect(context.destination);
      source.disconnect();
    }
    await new Promise((done) => setTimeout(done, 0));
  }
}"""

# A browser that takes a microphone at the device's own rate only.
OWN_RATE = """
window.deviceRate = 48000;
const Context = AudioContext, connected = Context.prototype.createMediaStreamSource;
window.AudioContext = class extends Context { constructor(of) { super({ sampleRate: window.deviceRate, ...of }); } };
Context.prototype.createMediaStreamSource = function (stream) {
  if (this.sampleRate !== window.deviceRate) throw new DOMException("another rate", "NotSupportedError");
  return connected.call(this, stream);
};
"""


@pytest.fixture
def pocket(playwright, tmp_path):
    with Pocket(playwright, tmp_path) as pocket:
        yield pocket
        assert pocket.complaints == []


def join(pocket, desk):
    pocket.join(f"{desk.place.origin}/#{desk.lines[0].code}")
    pocket.page.wait_for_selector("#now:visible")
    assert desk.route.recover()


def sound_comes(desk):
    until = time.monotonic() + 5
    while desk.route.microphone.take(0.1) is None:
        assert time.monotonic() < until


def test_the_page_and_its_sound_by_https(pocket, tmp_path):
    desk = Desk(tmp_path, tls.own("localhost", tmp_path))
    with serving(desk.server, desk.place):
        join(pocket, desk)
        assert pocket.page.evaluate("location.protocol + new URL(socket.url).protocol") == "https:wss:"
        sound_comes(desk)


def test_a_busy_page_counts_its_samples_on(pocket, desk):
    join(pocket, desk)
    pocket.page.evaluate(BUSY, 6)
    assert desk.told == [wording.THERE.format(phone=wording.PHONES["technician"])]


def test_a_microphone_of_another_rate_begins_the_line_anew(pocket, desk):
    pocket.page.add_init_script(OWN_RATE)
    join(pocket, desk)
    assert desk.route.microphone.device_rate_hz == 48_000
    pocket.page.evaluate("deviceRate = 44100; unplug()")
    until = time.monotonic() + 10
    while desk.route.microphone.device_rate_hz != 44_100 or not desk.lines[0].joined.is_set():
        assert time.monotonic() < until, desk.told
        pocket.page.wait_for_timeout(50)
    assert desk.route.recover()
    pocket.page.wait_for_selector("#now:visible")
    sound_comes(desk)
