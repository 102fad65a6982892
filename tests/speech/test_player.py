from __future__ import annotations

import importlib
import threading
import time
from collections.abc import Callable
from typing import Any

import numpy as np
import pytest
from doubles import ScriptedPlayer

from assistant.errors import Problem
from assistant.speech.audio import Audio, VisitTrack
from assistant.speech.devices import load_sounddevice
from assistant.speech.player import DevicePlayer, Played, PlayerError, TrackPlayer


def ramp(count: int, rate_hz: int = 48_000) -> Audio:
    return Audio((np.arange(count) % 30_000 + 1).astype(np.int16), rate_hz)


class SoundLibrary:
    """A double of the sound library: a thread takes blocks as a device does, only faster."""

    class PortAudioError(Exception):
        pass

    class CallbackStop(Exception):  # noqa: N818
        pass

    class CallbackAbort(Exception):  # noqa: N818
        pass

    def __init__(self, *, blocks_until_dead: int = 10**9, block_s: float = 0.001) -> None:
        self.heard: list[np.ndarray[Any, Any]] = []
        self.options: dict[str, Any] = {}
        self.closed = 0
        self.blocks_until_dead = blocks_until_dead
        self.block_s = block_s
        self.dies_with: str | None = None
        self.channels = 8
        self.before_block: Callable[[int], None] = lambda _: None

    def query_devices(self, device: object, kind: str) -> dict[str, Any]:
        assert kind == "output"
        if device == "none":
            raise ValueError("No output device matching 'none'")
        if device is None and self.channels == 0:
            raise self.PortAudioError("Error querying device -1")
        return {
            "name": "Double",
            "index": 0,
            "hostapi": 0,
            "default_samplerate": 48_000.0,
            "max_output_channels": self.channels,
        }

    def OutputStream(self, **options: Any) -> _Stream:  # noqa: N802
        self.options = options
        if self.dies_with == "open":
            raise self.PortAudioError("Device unavailable [PaErrorCode -9985]")
        return _Stream(self)


class _Stream:
    def __init__(self, library: SoundLibrary) -> None:
        self.library = library
        self.gone = threading.Event()
        self.thread = threading.Thread(target=self.run)

    def start(self) -> None:
        if self.library.dies_with == "start":
            raise self.library.PortAudioError("Device vanished")
        self.thread.start()

    def run(self) -> None:
        library = self.library
        frames, channels = library.options["blocksize"], library.options["channels"]
        for number in range(10**9):
            if number >= library.blocks_until_dead:
                self.gone.wait(5)
                return
            library.before_block(number)
            out = np.full((frames, channels), 77, np.int16)
            try:
                library.options["callback"](out, frames, None, None)
            except library.CallbackStop:
                library.heard.append(out)
                break
            except library.CallbackAbort:
                break
            library.heard.append(out)
            time.sleep(library.block_s)
            if library.dies_with == "early end" and number == 1:
                break
        library.options["finished_callback"]()

    def abort(self, ignore_errors: bool) -> None:
        self.gone.set()

    def close(self, ignore_errors: bool) -> None:
        if self.thread.ident is not None:
            self.thread.join()
        self.library.closed += 1


def test_every_sample_reaches_both_channels_and_is_counted() -> None:
    library = SoundLibrary()
    audio = ramp(10_001)
    played = DevicePlayer(sounddevice=library).play(audio)
    assert played == Played(10_001, 10_001, 48_000)
    assert played.complete
    assert played.seconds == pytest.approx(10_001 / 48_000)
    heard = np.concatenate(library.heard)
    assert heard.shape[1] == 2
    assert np.array_equal(heard[:10_001, 0], audio.samples)
    assert np.array_equal(heard[:10_001, 1], audio.samples)
    assert not heard[10_001:].any()
    assert library.closed == 1


def test_a_device_of_one_channel_gets_one() -> None:
    library = SoundLibrary()
    library.channels = 1
    DevicePlayer(sounddevice=library).play(ramp(100))
    assert library.heard[0].shape[1] == 1


def test_sound_is_resampled_to_the_rate_of_the_device() -> None:
    library = SoundLibrary()
    player = DevicePlayer("Double", sounddevice=library)
    played = player.play(Audio(np.full(22_050, 8_000, np.int16), 22_050))
    assert (player.route["loudspeaker"], player.route["rate_hz"]) == ("Double", 48_000)
    assert library.options["samplerate"] == 48_000
    assert library.options["device"] == 0
    assert played == Played(48_000, 48_000, 48_000)
    assert np.concatenate(library.heard)[24_000, 0] == pytest.approx(8_000, abs=2)


def test_two_sounds_are_both_played_whole() -> None:
    library = SoundLibrary()
    player = DevicePlayer(sounddevice=library)
    assert player.play(ramp(3_000)).complete
    assert player.play(ramp(5_000)).complete
    assert sum(int(np.count_nonzero(block[:, 0])) for block in library.heard) == 8_000
    assert library.closed == 2


def test_nothing_to_play_is_over_at_once() -> None:
    assert DevicePlayer(sounddevice=SoundLibrary()).play(ramp(0)) == Played(0, 0, 48_000)


def test_silence_follows_the_sound_since_what_the_device_holds_at_the_end_is_never_heard() -> None:
    library = SoundLibrary()
    DevicePlayer(sounddevice=library).play(ramp(5_000))
    heard = np.concatenate([block[:, 0] for block in library.heard])
    sound = np.flatnonzero(heard)[-1] + 1
    assert len(heard) - sound >= 0.1 * 48_000


def test_stop_ends_within_a_block_and_says_how_much_was_played() -> None:
    library = SoundLibrary()
    player = DevicePlayer(sounddevice=library)
    library.before_block = lambda number: player.stop() if number == 3 else None
    played = player.play(ramp(480_000))
    assert played == Played(3 * 960, 480_000, 48_000)
    assert not played.complete
    assert len(library.heard) == 3
    assert library.closed == 1


def test_stop_from_another_thread() -> None:
    library = SoundLibrary(block_s=0.05)
    player = DevicePlayer(sounddevice=library)
    timer = threading.Timer(0.2, player.stop)
    timer.start()
    started = time.monotonic()
    played = player.play(ramp(480_000))
    assert time.monotonic() - started < 4
    assert 0 < played.played_samples < 480_000


def test_a_stop_while_nothing_plays_does_not_silence_the_next_sound() -> None:
    player = DevicePlayer(sounddevice=SoundLibrary())
    player.stop()
    assert player.play(ramp(5_000)).complete


@pytest.mark.parametrize("blocks", [0, 2])
def test_a_device_that_takes_no_more_sound_is_lost(blocks: int) -> None:
    library = SoundLibrary(blocks_until_dead=blocks)
    started = time.monotonic()
    with pytest.raises(PlayerError, match=r"'Double' took no sound for 0\.3 s"):
        DevicePlayer(sounddevice=library, watchdog_s=0.3).play(ramp(480_000))
    assert 0.3 <= time.monotonic() - started < 4
    assert library.closed == 1


def test_a_slow_device_is_not_taken_for_lost() -> None:
    library = SoundLibrary(block_s=0.3)
    assert DevicePlayer(sounddevice=library, watchdog_s=1.0).play(ramp(12_000)).complete


def test_a_device_that_took_all_but_never_ends_is_lost() -> None:
    library = SoundLibrary()
    library.before_block = lambda _: library.options.update(finished_callback=lambda: None)
    with pytest.raises(PlayerError, match="took no sound"):
        DevicePlayer(sounddevice=library, watchdog_s=0.2).play(ramp(100))


@pytest.mark.parametrize(
    ("dies_with", "message"),
    [("open", "could not be opened"), ("start", "failed"), ("early end", "ended before the sound did")],
)
def test_a_device_that_fails_is_a_player_error(dies_with: str, message: str) -> None:
    library = SoundLibrary()
    library.dies_with = dies_with
    with pytest.raises(PlayerError, match=message) as caught:
        DevicePlayer(sounddevice=library).play(ramp(480_000))
    assert "Double" in str(caught.value)
    assert str(caught.value).endswith(".")


def test_an_exception_in_the_callback_is_not_lost() -> None:
    library = SoundLibrary()
    player = DevicePlayer(sounddevice=library)
    original = library.OutputStream

    def broken(**options: Any) -> _Stream:
        inner = options["callback"]
        options["callback"] = lambda out, frames, *rest: inner(None, frames, *rest)
        return original(**options)

    library.OutputStream = broken  # type: ignore[method-assign]
    with pytest.raises(PlayerError, match="NoneType") as caught:
        player.play(ramp(100))
    assert isinstance(caught.value.__cause__, TypeError)


def test_no_device_is_a_problem_with_what_to_do() -> None:
    library = SoundLibrary()
    library.channels = 0
    with pytest.raises(Problem, match="No loudspeaker was found; plug one in"):
        DevicePlayer(sounddevice=library)
    with pytest.raises(Problem, match="No loudspeaker 'none' was found"):
        DevicePlayer("none", sounddevice=library)


def test_a_missing_sound_library_names_the_package_and_the_line(monkeypatch: pytest.MonkeyPatch) -> None:
    def missing(name: str) -> None:
        assert name == "sounddevice"
        raise OSError("PortAudio library not found")

    monkeypatch.setattr(importlib, "import_module", missing)
    with pytest.raises(Problem, match=r"libportaudio2.*sudo apt install libportaudio2$"):
        load_sounddevice()
    with pytest.raises(Problem, match="libportaudio2"):
        DevicePlayer()


def test_the_track_gets_what_the_assistant_says_at_its_own_rate() -> None:
    track = VisitTrack(16_000)
    track.add("people", np.ones(160, np.int16))
    player = TrackPlayer(track)
    played = player.play(Audio(np.full(22_050, 500, np.int16), 22_050))
    player.stop()
    assert played == Played(16_000, 16_000, 16_000)
    assert played.complete
    assert track.seconds == pytest.approx(1.01)


def test_the_scripted_player_follows_its_script() -> None:
    player = ScriptedPlayer(["lost", "short"])
    with pytest.raises(PlayerError):
        player.play(ramp(10))
    assert player.play(ramp(10)) == Played(5, 10, 48_000)
    assert player.play(ramp(20)).complete
    player.stop()
    assert [len(audio.samples) for audio in player.played] == [10, 20]
    assert player.stops == 1
