"""A virtual sound card: a PulseAudio server of our own, on which PortAudio opens real streams.

One null sink with two channels is the room, so that both sides are on one clock: people left, the assistant
right. The sink `tech` plays into its left channel, and the source `mic`, the assistant's microphone, hears that
channel. The sink `voice` is the assistant's loudspeaker, the right channel. PortAudio knows both
also by name, `headset_microphone` and `headset_loudspeaker`. A second microphone, `helper_microphone`, hears what is
played into the sink `helper`, and nothing of the room. Loading and unloading the module of
a device is plugging it in and pulling it out.
"""

from __future__ import annotations

import os
import subprocess
import tempfile
import time
from contextlib import suppress
from pathlib import Path
from typing import Self

import numpy as np
from numpy.typing import NDArray

RATE_HZ = 16_000  # of what is played and recorded here
ROOM_HZ = 48_000
ALSA = """
</usr/share/alsa/alsa.conf>
pcm.!default { type pulse }
ctl.!default { type pulse }
pcm.pulse { type pulse }
pcm.headset_microphone { type pulse device mic }
pcm.helper_microphone { type pulse device helper.monitor }
pcm.headset_loudspeaker { type pulse device voice }
"""


class Card:
    """The sound card, running inside `with`. `environment` is for every process that is to use it."""

    def __enter__(self) -> Self:
        self._folder = tempfile.TemporaryDirectory(prefix="card-")
        folder = Path(self._folder.name)
        folder.chmod(0o700)
        (folder / "alsa.conf").write_text(ALSA, encoding="utf-8")
        self.environment = {
            **{k: v for k, v in os.environ.items() if not k.startswith(("PULSE_", "DBUS_"))},
            "PULSE_RUNTIME_PATH": str(folder),
            "XDG_RUNTIME_DIR": str(folder),
            "HOME": str(folder),
            "ALSA_CONFIG_PATH": str(folder / "alsa.conf"),
        }
        self.insert()
        return self

    def insert(self) -> None:
        """Starts the sound card: at first, or after `remove`."""
        folder = Path(self._folder.name)
        self._log = (folder / "log").open("w")
        options = ["-n", "--daemonize=no", "--exit-idle-time=-1", "--disable-shm=yes", "--log-target=stderr"]
        self._server = subprocess.Popen(
            ["pulseaudio", *options, "-L", "module-native-protocol-unix"],
            env=self.environment,
            stdout=self._log,
            stderr=self._log,
        )
        deadline = time.monotonic() + 20
        while not self._answers():
            if time.monotonic() > deadline or self._server.poll() is not None:
                said = (folder / "log").read_text()
                self.__exit__()
                raise RuntimeError(f"the virtual sound card did not start: {said[-1000:]}")
            time.sleep(0.05)
        room = ["sink_name=room", f"rate={ROOM_HZ}", "channels=2", "channel_map=front-left,front-right"]
        self.control("load-module", "module-null-sink", *room)
        self.control("load-module", "module-null-sink", "sink_name=helper", f"rate={ROOM_HZ}", "channels=1")
        for device in ("tech", "voice", "mic"):
            self.plug(device)

    def __exit__(self, *_: object) -> None:
        self.remove()
        self._folder.cleanup()

    def remove(self) -> None:
        """Pulls the whole sound card out. (The server moves the streams of one device to another one.)"""
        self._server.terminate()
        with suppress(subprocess.TimeoutExpired):
            self._server.wait(5)
        self._server.kill()
        self._server.wait()
        self._log.close()

    def plug(self, name: str) -> None:
        """Makes a device: "tech", "voice" or "mic"."""
        side = "front-right" if name == "voice" else "front-left"
        of = ["channels=1", "channel_map=mono", f"master_channel_map={side}", "remix=no"]
        sink = ["module-remap-sink", "master=room", f"sink_name={name}", *of]
        source = ["module-remap-source", "master=room.monitor", "source_name=mic", *of]
        self.control("load-module", *(source if name == "mic" else sink))
        if name == "mic":
            self.control("set-default-source", "mic")
        if name == "voice":
            self.control("set-default-sink", "voice")

    def leak(self, delay_ms: int, percent: int = 50) -> None:
        """Lets the assistant's voice come back into its microphone, so late and so loud (percent of the server's
        volume, which is cubic), as an open loudspeaker does."""
        options = ["source=voice.monitor", "sink=tech", f"latency_msec={delay_ms}", "adjust_time=0"]
        module = self.control("load-module", "module-loopback", *options).strip()
        for part in self.control("list", "sink-inputs").split("Sink Input #")[1:]:
            if f"Owner Module: {module}\n" in part:
                self.control("set-sink-input-volume", part.split("\n")[0], f"{percent}%")

    def sleep(self, name: str, asleep: bool) -> None:
        """A headset that sleeps: the source is there and gives nothing."""
        self.control("suspend-source", name, "1" if asleep else "0")

    def control(self, *arguments: str) -> str:
        """Tells the server something; its answer."""
        done = subprocess.run(
            ["pactl", *arguments], env=self.environment, capture_output=True, text=True, timeout=20, check=True
        )
        return done.stdout

    def say(self, samples: NDArray[np.int16], rate_hz: int = RATE_HZ, into: str = "tech") -> subprocess.Popen[bytes]:
        """Plays sound into the room, or into the sink "helper"; the process ends when it is over."""
        options = [f"--rate={rate_hz}", "--format=s16le", "--channels=1", "--raw", "--latency-msec=20"]
        playing = subprocess.Popen(
            ["paplay", f"--device={into}", *options], env=self.environment, stdin=subprocess.PIPE
        )
        assert playing.stdin
        with suppress(BrokenPipeError):
            playing.stdin.write(samples.tobytes())
            playing.stdin.close()
        return playing

    def record(self) -> subprocess.Popen[bytes]:
        """Records the room: raw int16 frames of two channels at `RATE_HZ` on its standard output."""
        options = [f"--rate={RATE_HZ}", "--format=s16le", "--channels=2", "--raw", "--latency-msec=10"]
        return subprocess.Popen(
            ["parec", "--device=room.monitor", *options], env=self.environment, stdout=subprocess.PIPE, bufsize=0
        )

    def _answers(self) -> bool:
        with suppress(subprocess.SubprocessError):
            self.control("info")
            return True
        return False
