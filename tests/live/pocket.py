"""A phone in a pocket: Chromium with a fake microphone that is fed from a file, at the phone's page.

The fake microphone plays its file whenever it is opened, so that whoever speaks writes the file and has the page open
its microphone anew, as it does when a headset is unplugged; silence is mixed in meanwhile: no microphone has a gap.
"""

from __future__ import annotations

import os
import re
import shutil
import time
import wave
from pathlib import Path
from typing import Any, Self

import numpy as np
from numpy.typing import NDArray
from playwright.sync_api import Page, sync_playwright

RATE_HZ = 16_000
NOISE = 60  # of int16's full scale: the blower, without which the detector of speech hears silence that is digital
LEAD_S = 0.6  # of noise before what is said: the onset of a word is looked for in it
CALM = ["--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-background-networking"]

# What the page plays and captures, watched from outside it: nothing of the page is another for the tests.
WATCH = """
const media = navigator.mediaDevices, real = media.getUserMedia.bind(media);
media.getUserMedia = async (asked) => { window.stream = await real(asked); window.opened = (window.opened ?? 0) + 1;
  return window.stream; };
const Node = AudioWorkletNode;
window.AudioWorkletNode = class extends Node {
  constructor(context, ...rest) {
    super(context, ...rest);
    Object.assign(window, { context, waiting: new Set(), ended: 0, voiced: false, plays: [] });
    const silence = new ConstantSourceNode(context, { offset: 0 });
    silence.connect(this); silence.start();
    const post = this.port.postMessage.bind(this.port);
    this.port.postMessage = (message, ...rest) => {
      if (message.play) waiting.add(message.play);
      post(message, ...rest);
    };
    this.port.addEventListener("message", ({ data }) => {
      if (!data.over) return;
      waiting.delete(data.played); ended = data.frame; voiced = true; plays.push(data);
    });
  }
};
window.now = () => ({ quiet_s: waiting.size ? 0 : (context.currentTime - ended / context.sampleRate),
  speaks: waiting.size > 0, voiced, at_s: context.currentTime });
window.unplug = async () => {
  const before = opened, [track] = stream.getTracks();
  track.stop(); track.dispatchEvent(new Event("ended"));
  while (opened === before) await new Promise((done) => setTimeout(done, 5));
};
"""


class Saying:
    """Something that is being said; `wait` as of a process."""

    def __init__(self, seconds: float) -> None:
        self._until = time.monotonic() + seconds

    def wait(self) -> None:
        """Returns when it was said."""
        time.sleep(max(0.0, self._until - time.monotonic()))


class Pocket:
    """The phone, open inside `with`. environment: for the program that it is the phone of."""

    def __init__(self, folder: Path, width: int = 390, height: int = 844) -> None:
        self.environment = dict(os.environ)
        self._file, self._size = folder / "microphone.wav", {"width": width, "height": height}
        self._noise = np.random.default_rng(5)
        self._put(np.zeros(0, np.int16))

    def __enter__(self) -> Self:
        self._playwright = sync_playwright().start()
        fake = ["--use-fake-device-for-media-stream", "--use-fake-ui-for-media-stream"]
        fed = f"--use-file-for-fake-audio-capture={self._file}%noloop"
        self._browser = self._playwright.chromium.launch(
            executable_path=shutil.which("chromium"), args=[*CALM, *fake, fed]
        )
        self.complaints: list[str] = []
        self.page = self.new_page()
        return self

    def __exit__(self, *_: object) -> None:
        self._browser.close()
        self._playwright.stop()

    def new_page(self) -> Page:
        """A page of another phone: it shares nothing with the first."""
        page = self._browser.new_context(viewport=self._size, ignore_https_errors=True).new_page()
        page.on("pageerror", lambda wrong: self.complaints.append(str(wrong)))
        page.add_init_script(WATCH)
        return page

    def join(self, address: str) -> None:
        """Opens the address of the QR code and taps."""
        self.page.goto(address)
        self.page.click("#start")

    def _put(self, samples: NDArray[np.int16], after_s: float = 60.0) -> None:
        sound = self._noise.normal(0, NOISE, round((LEAD_S + after_s) * RATE_HZ) + len(samples))
        sound[round(LEAD_S * RATE_HZ) :][: len(samples)] += samples
        with wave.open(str(self._file), "wb") as file:
            file.setparams((1, 2, RATE_HZ, 0, "NONE", ""))
            file.writeframes(np.clip(sound, -32768, 32767).astype("<i2").tobytes())

    def say(self, samples: NDArray[np.int16]) -> Saying:
        """Says it into the microphone."""
        self._put(samples)
        self.page.evaluate("unplug()")
        return Saying(LEAD_S + len(samples) / RATE_HZ)

    def now(self) -> dict[str, Any]:
        """What the phone does."""
        return self.page.evaluate("now()")


class Heard:
    """What is heard of the assistant by whoever holds the phone; as `Room`."""

    def __init__(self, pocket: Pocket) -> None:
        self._pocket = pocket
        self.voiced = True

    @property
    def quiet_s(self) -> float:
        """For how long the assistant has been silent."""
        now = self._pocket.now()
        return now["quiet_s"] if now["voiced"] else 0.0

    def close(self) -> None:
        """As of a recording."""


def addresses(output: str) -> list[str]:
    """The phones' addresses that the command printed."""
    return re.findall(r"https?://\S+/#\S+", output)
