"""A phone in a pocket: Chromium with a fake microphone that is fed from a file, at the phone's page.

The fake microphone plays its file whenever it is opened, so that whoever speaks writes the file and has the page open
its microphone anew, as it does when a headset is unplugged; silence is mixed in meanwhile: no microphone has a gap.
"""

from __future__ import annotations

import os
import re
import shutil
import signal
import subprocess
import sys
import time
import wave
from collections.abc import Callable
from pathlib import Path
from typing import Any, Self

import numpy as np
from desk import free_port
from numpy.typing import NDArray
from playwright.sync_api import Page, Playwright

RATE_HZ = 16_000
TURN_S = 1.3  # of silence, after which a person takes the turn; as in technician.py
NOISE = 60  # of int16's full scale: the blower, without which the detector of speech hears silence that is digital
LEAD_S = 0.6  # of noise before what is said: the onset of a word is looked for in it
CALM = ["--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-background-networking"]

# What the page plays and captures, watched from outside it: nothing of the page is another for the tests.
WATCH = """
Object.assign(window, { waiting: new Map(), ended: 0, voiced: false, plays: [], context: { currentTime: 0 } });
const media = navigator.mediaDevices, real = media.getUserMedia.bind(media);
media.getUserMedia = async (asked) => { window.stream = await real(asked); window.opened = (window.opened ?? 0) + 1;
  return window.stream; };
const Socket = WebSocket;
window.WebSocket = class extends Socket {
  constructor(...of) { super(...of); window.socket = this; }
  set onmessage(told) { super.onmessage = (event) => window.deaf || told(event); }
};
const Node = AudioWorkletNode;
window.AudioWorkletNode = class extends Node {
  constructor(context, ...rest) {
    super(context, ...rest);
    window.context = context;
    const silence = new ConstantSourceNode(context, { offset: 0 });
    silence.connect(this); silence.start();
    const post = this.port.postMessage.bind(this.port);
    this.port.postMessage = (message, ...rest) => {
      if (message.play) waiting.set(message.play, message.total);
      post(message, ...rest);
    };
    this.port.addEventListener("message", ({ data }) => {
      if (!data.over) return;
      waiting.delete(data.played); ended = data.frame; voiced = true; plays.push(data);
    });
  }
};
window.now = () => ({ quiet_s: waiting.size ? 0 : (context.currentTime - ended / context.sampleRate),
  speaks: waiting.size > 0,
  words: [...waiting.values()].some((total) => total > 0.35 * context.sampleRate), voiced });
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
    """The phone, open inside `with`."""

    def __init__(self, playwright: Playwright, folder: Path, width: int = 390, height: int = 844) -> None:
        self._playwright = playwright
        self._file, self._size = folder / "microphone.wav", {"width": width, "height": height}
        self._noise = np.random.default_rng(5)
        self._put(np.zeros(0, np.int16))

    def __enter__(self) -> Self:
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

    def turn(self) -> bool:
        """Whether the assistant has spoken and is silent for as long as a person waits."""
        now = self.now()
        return bool(now["voiced"] and now["quiet_s"] >= TURN_S)

    def now(self) -> dict[str, Any]:
        """What the phone does."""
        return self.page.evaluate("now()")


class PhoneVisit:
    """The real command `assistant visit --phone` and its phone; open inside `with`."""

    def __init__(
        self, pocket: Pocket | None, job: Path, folder: Path, *options: str, cache: Path | None = None
    ) -> None:
        self.pocket, self.folder = pocket, folder
        command = [sys.executable, "-m", "assistant", "visit", "--job", str(job), "--folder", str(folder), "--phone"]
        if "--phone-port" not in options:
            options += ("--phone-port", str(free_port()))
        self._out = (folder / "out.txt").open("w")
        environment = {**os.environ, "COLUMNS": "200", "XDG_CACHE_HOME": str(cache or folder / "cache")}
        self.process = subprocess.Popen([*command, *options], env=environment, stdout=self._out, stderr=self._out)

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.process.kill()
        self.process.wait()
        self._out.close()

    @property
    def output(self) -> str:
        """What the command printed."""
        return (self.folder / "out.txt").read_text(encoding="utf-8")

    @property
    def record(self) -> Path:
        """Where the record is."""
        return next(iter(self.folder.rglob("visit.sqlite")))

    def addresses(self) -> list[str]:
        """Those of the QR codes, once they were printed."""
        self.wait(lambda: "Waiting for the phone." in self.output)
        return re.findall(r"https?://\S+/#\S+", self.output)

    def wait(self, until: Callable[[], bool], limit_s: float = 40.0) -> None:
        """Waits until something is so."""
        end = time.monotonic() + limit_s
        while not until():
            assert self.process.poll() is None, self.output[-3000:]
            assert time.monotonic() < end, self.output[-3000:]
            time.sleep(0.03)

    def hear_out(self, limit_s: float = 40.0) -> None:
        """Waits until the assistant has spoken, and for the turn that a person takes then."""
        self.wait(self.pocket.turn, limit_s)

    def say(self, samples: NDArray[np.int16]) -> None:
        """Says it when it is the person's turn."""
        self.hear_out()
        self.pocket.say(samples).wait()
        self.pocket.page.evaluate("voiced = false")  # what ends from now on is the answer

    def stop(self) -> None:
        """Ends the program as Ctrl-C does."""
        self.process.send_signal(signal.SIGINT)
        self.process.wait(20)
