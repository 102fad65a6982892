from __future__ import annotations

import importlib
import threading
import time
from collections.abc import Iterator
from itertools import islice
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from assistant.errors import Problem
from assistant.speech.devices import MicrophoneLost
from assistant.speech.microphone import Microphone


class SoundLibrary:
    """A double of the sound library; the test hands the sound to `give`."""

    class PortAudioError(Exception):
        pass

    def __init__(self, rate_hz: float = 48_000.0) -> None:
        self.rate_hz = rate_hz
        self.options: dict[str, Any] = {}
        self.calls: list[str] = []
        self.refuses = False

    def query_devices(self, device: object, kind: str) -> dict[str, Any]:
        assert kind == "input"
        if device == "none":
            raise ValueError("No input device matching 'none'")
        if device == -1:
            raise self.PortAudioError("Error querying device -1")
        return {"name": "Double", "index": 0, "hostapi": 0, "default_samplerate": self.rate_hz, "max_input_channels": 1}

    def InputStream(self, **options: Any) -> SimpleNamespace:  # noqa: N802
        self.options = options
        if self.refuses:
            raise self.PortAudioError("Device unavailable")
        return SimpleNamespace(
            latency=0.03,
            start=lambda: self.calls.append("start"),
            abort=lambda ignore_errors: self.calls.append("abort"),
            close=lambda ignore_errors: self.calls.append("close"),
        )

    def give(self, samples: NDArray[np.int16], overflow: bool = False) -> None:
        size = self.options["blocksize"]
        for start in range(0, len(samples), size):
            block = samples[start : start + size].reshape(-1, 1).copy()
            self.options["callback"](block, len(block), None, SimpleNamespace(input_overflow=overflow))
            block[:] = 0  # the device uses its buffer again


def tone(seconds: float, rate_hz: int, hz: float = 440.0) -> NDArray[np.int16]:
    samples: NDArray[np.float64] = 9_000 * np.sin(2 * np.pi * hz * np.arange(round(seconds * rate_hz)) / rate_hz)
    return samples.astype(np.int16)


def blocks_of(microphone: Microphone) -> Iterator[NDArray[np.int16]]:
    """What it hears, block by block."""
    while True:
        block = microphone.take(0.02)
        if block is not None:
            yield block


def take(microphone: Microphone) -> NDArray[np.int16]:
    """All that was given: the double gives no more, so that the microphone counts as lost then."""
    taken = [np.zeros(0, np.int16)]
    with pytest.raises(MicrophoneLost):
        taken.extend(blocks_of(microphone))
    return np.concatenate(taken)


def test_sound_comes_at_the_rate_asked_for() -> None:
    library = SoundLibrary()
    with Microphone(sounddevice=library, watchdog_s=0.1) as microphone:
        library.give(tone(1.0, 48_000))
        heard = take(microphone)
    assert heard.dtype == np.int16
    assert 15_500 < len(heard) <= 16_000
    expected = tone(1.0, 16_000)[: len(heard)]
    # Moments stay: what was heard is in step with the device's clock.
    assert np.abs(heard.astype(int) - expected)[500:].max() < 60
    assert (microphone.device_name, microphone.device_rate_hz) == ("Double", 48_000)
    assert microphone.overflows == 0
    assert library.options["samplerate"] == 48_000


def test_equal_rates_change_no_sample() -> None:
    library = SoundLibrary(16_000.0)
    sound = np.random.default_rng(1).integers(-32_768, 32_767, 16_000).astype(np.int16)
    with Microphone(sounddevice=library, watchdog_s=0.1) as microphone:
        library.give(sound)
        assert np.array_equal(take(microphone), sound)


def test_a_narrow_headset_is_brought_to_the_rate_and_told() -> None:
    library = SoundLibrary(8_000.0)
    with Microphone(sounddevice=library, watchdog_s=0.1) as microphone:
        library.give(tone(1.0, 8_000))
        heard = take(microphone)
    assert microphone.device_rate_hz == 8_000
    spectrum = np.abs(np.fft.rfft(heard.astype(float)))
    assert np.argmax(spectrum) * 16_000 / len(heard) == pytest.approx(440, abs=2)


def test_blocks_come_while_the_microphone_goes_on() -> None:
    library = SoundLibrary()

    def feed() -> None:
        for _ in range(20):
            library.give(tone(0.05, 48_000))
            time.sleep(0.01)

    with Microphone(sounddevice=library) as microphone:
        feeder = threading.Thread(target=feed)
        feeder.start()
        blocks = list(islice(blocks_of(microphone), 5))
        feeder.join()
    assert all(len(block) for block in blocks)


def test_gaps_told_by_the_device_and_a_full_queue_are_counted() -> None:
    library = SoundLibrary(16_000.0)
    with Microphone(sounddevice=library, watchdog_s=0.1) as microphone:
        library.give(tone(0.1, 16_000), overflow=True)
        assert microphone.overflows == 5
        library.give(tone(10.0, 16_000))
        assert microphone.overflows == 10
        heard = take(microphone)
    assert len(heard) == 500 * 320  # ten seconds are kept, the oldest first


def test_what_was_heard_while_the_assistant_spoke_is_dropped() -> None:
    library = SoundLibrary()
    with Microphone(sounddevice=library, watchdog_s=0.1) as microphone:
        library.give(tone(0.5, 48_000))
        next(blocks_of(microphone))
        library.give(tone(0.5, 48_000))
        microphone.discard()
        library.give(np.zeros(24_000, np.int16))
        heard = take(microphone)
    assert len(heard) > 7_000
    assert not heard.any()


@pytest.mark.parametrize("rate_hz", [8_000, 16_000, 44_100, 48_000])
def test_the_clock_of_the_stream_goes_on_over_what_is_dropped(rate_hz: int) -> None:
    library = SoundLibrary(float(rate_hz))
    counted = 0
    with Microphone(sounddevice=library, watchdog_s=0.1) as microphone:
        for _ in range(10):
            library.give(tone(0.5, rate_hz))
            blocks = blocks_of(microphone)
            counted += sum(len(next(blocks)) for _ in range(3))
            library.give(tone(0.5, rate_hz))
            counted += microphone.discard()
    assert counted == pytest.approx(10 * 16_000, abs=10)  # a sample of rounding a time


def test_a_microphone_that_falls_silent_on_the_wire_is_lost() -> None:
    with Microphone(sounddevice=SoundLibrary(), watchdog_s=0.3) as microphone:
        started = time.monotonic()
        with pytest.raises(MicrophoneLost, match=r"'Double' gave no sound for 0\.3 s; plug it in"):
            next(blocks_of(microphone))
        assert 0.3 <= time.monotonic() - started < 4


def test_a_slow_listener_does_not_lose_the_microphone() -> None:
    library = SoundLibrary(16_000.0)
    with Microphone(sounddevice=library, watchdog_s=0.3) as microphone:
        blocks = blocks_of(microphone)
        library.give(tone(0.05, 16_000))
        next(blocks)
        time.sleep(0.5)
        later = threading.Timer(0.1, library.give, [tone(0.05, 16_000)])
        later.start()
        assert len(next(blocks)) == 320


def test_a_fault_in_the_callback_is_not_lost() -> None:
    library = SoundLibrary()
    with Microphone(sounddevice=library) as microphone:
        library.options["callback"](None, 800, None, SimpleNamespace(input_overflow=False))
        with pytest.raises(MicrophoneLost, match="NoneType") as caught:
            next(blocks_of(microphone))
    assert isinstance(caught.value.__cause__, TypeError)


def test_closing_ends_the_stream() -> None:
    library = SoundLibrary()
    with Microphone(sounddevice=library):
        pass
    assert library.calls == ["start", "abort", "close"]


def test_a_device_in_use_is_a_problem_with_what_to_do() -> None:
    library = SoundLibrary()
    library.refuses = True
    with (
        pytest.raises(Problem, match=r"'Double' could not be opened .*--from-audio\."),
        Microphone(sounddevice=library),
    ):
        pass


@pytest.mark.parametrize(("device", "named"), [(-1, "-1"), ("none", "'none'")])
def test_no_such_device_is_a_problem_with_what_to_do(device: str | int, named: str) -> None:
    with pytest.raises(Problem, match=rf"No microphone {named} was found; .*give recordings with --from-audio\."):
        Microphone(device, sounddevice=SoundLibrary())


def test_a_missing_sound_library_names_the_line_and_the_other_way(monkeypatch: pytest.MonkeyPatch) -> None:
    def missing(_name: str) -> None:
        raise OSError("PortAudio library not found")

    monkeypatch.setattr(importlib, "import_module", missing)
    with pytest.raises(Problem, match="sudo apt install libportaudio2, or give recordings with --from-audio"):
        Microphone()
