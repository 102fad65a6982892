from __future__ import annotations

import resource
import signal
import struct
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import numpy as np
import pytest
import soundfile

from assistant.errors import Problem
from assistant.speech.audio import (
    Audio,
    VisitTrack,
    read_audio,
    resample,
    without_silent_end,
    write_flac,
)


def tone(seconds: float = 1.0, rate_hz: int = 16_000, hz: float = 440.0) -> Audio:
    moments = np.arange(round(seconds * rate_hz)) / rate_hz
    return Audio((10_000 * np.sin(2 * np.pi * hz * moments)).astype(np.int16), rate_hz)


def refusal(path: Path) -> str:
    with pytest.raises(Problem) as caught:
        read_audio(path)
    message = str(caught.value)
    assert str(path) in message
    assert message.count("\n") == 0
    assert message.endswith(".")
    return message


def test_audio_is_mono_int16_only() -> None:
    with pytest.raises(ValueError, match="mono int16"):
        Audio(np.zeros((4, 2), np.int16), 16_000)
    with pytest.raises(ValueError, match="mono int16"):
        Audio(np.zeros(4, np.float32), 16_000)


def test_flac_comes_back_sample_by_sample(tmp_path: Path) -> None:
    every_value = Audio(np.arange(-32_768, 32_768).astype(np.int16), 22_050)
    write_flac(tmp_path / "a.flac", every_value)
    back = read_audio(tmp_path / "a.flac")
    assert back.rate_hz == 22_050
    assert np.array_equal(back.samples, every_value.samples)
    assert back.seconds == pytest.approx(65_536 / 22_050)


@pytest.mark.parametrize("suffix", ["wav", "aiff", "au", "w64", "caf"])
def test_16_bit_formats_are_read_without_loss(tmp_path: Path, suffix: str) -> None:
    path = tmp_path / f"a.{suffix}"
    soundfile.write(path, tone().samples, 16_000, subtype="PCM_16")
    assert np.array_equal(read_audio(path).samples, tone().samples)


@pytest.mark.parametrize("suffix", ["ogg", "mp3"])
def test_lossy_formats_are_read_at_nearly_their_length(tmp_path: Path, suffix: str) -> None:
    path = tmp_path / f"a.{suffix}"
    soundfile.write(path, tone().samples, 16_000)
    assert read_audio(path).seconds == pytest.approx(1.0, abs=0.1)


def test_channels_are_averaged(tmp_path: Path) -> None:
    soundfile.write(tmp_path / "a.wav", np.tile(np.array([[100, 300, 500]], np.int16), (50, 1)), 16_000)
    assert set(read_audio(tmp_path / "a.wav").samples) == {300}


def test_floating_point_is_scaled_and_clipped(tmp_path: Path) -> None:
    soundfile.write(tmp_path / "a.wav", np.array([0.5, 1.0, 7.0, -7.0, 0.0]), 16_000, subtype="FLOAT")
    assert list(read_audio(tmp_path / "a.wav").samples) == [16_384, 32_767, 32_767, -32_768, 0]


def test_a_file_longer_than_a_block_is_read_whole(tmp_path: Path) -> None:
    long = tone(10, 48_000)
    write_flac(tmp_path / "a.flac", long)
    assert np.array_equal(read_audio(tmp_path / "a.flac").samples, long.samples)


def test_a_missing_file_and_a_folder_are_named(tmp_path: Path) -> None:
    assert "is not there" in refusal(tmp_path / "none.wav")
    assert "is a folder" in refusal(tmp_path)


@pytest.mark.parametrize("content", [b"", b"hello " * 500, b"RIFF\x00\x00\x00\x00WAVE"])
@pytest.mark.parametrize("name", ["a.wav", "a.flac", "a.raw", "a"])
def test_what_is_not_sound_is_refused(tmp_path: Path, name: str, content: bytes) -> None:
    path = tmp_path / name
    path.write_bytes(content)
    assert "is not sound or is damaged" in refusal(path)


@pytest.mark.parametrize("suffix", ["wav", "flac", "ogg", "mp3", "aiff", "au", "w64", "caf"])
def test_a_file_cut_in_half_is_refused(tmp_path: Path, suffix: str) -> None:
    path = tmp_path / f"a.{suffix}"
    noise = np.random.default_rng(1).integers(-9_000, 9_000, 600_000).astype(np.int16)
    soundfile.write(path, noise, 16_000)
    read_audio(path)
    whole = path.read_bytes()
    path.write_bytes(whole[: len(whole) // 2])
    message = refusal(path)
    assert "ends before" in message or "damaged" in message


def test_a_flac_damaged_in_the_middle_is_refused(tmp_path: Path) -> None:
    noise = np.random.default_rng(1).integers(-9_000, 9_000, 80_000).astype(np.int16)
    write_flac(tmp_path / "a.flac", Audio(noise, 16_000))
    content = bytearray((tmp_path / "a.flac").read_bytes())
    middle = len(content) // 2
    content[middle : middle + 2_000] = bytes(2_000)
    (tmp_path / "a.flac").write_bytes(content)
    assert "damaged" in refusal(tmp_path / "a.flac")


def test_values_that_are_no_numbers_are_refused(tmp_path: Path) -> None:
    soundfile.write(tmp_path / "a.wav", np.array([0.1, np.nan, 0.2]), 16_000, subtype="FLOAT")
    assert "damaged" in refusal(tmp_path / "a.wav")


def test_an_empty_recording_is_refused(tmp_path: Path) -> None:
    soundfile.write(tmp_path / "a.wav", np.zeros(0, np.int16), 16_000)
    assert "holds no sound" in refusal(tmp_path / "a.wav")


@pytest.mark.parametrize(("rate_hz", "fits"), [(7_999, False), (8_000, True), (192_000, True), (192_001, False)])
def test_rates_are_bounded(tmp_path: Path, rate_hz: int, fits: bool) -> None:
    path = tmp_path / "a.wav"
    soundfile.write(path, tone().samples, rate_hz)
    if fits:
        assert read_audio(path).rate_hz == rate_hz
    else:
        assert f"{rate_hz} Hz" in refusal(path)


def test_a_wav_streamed_without_its_length_is_read(tmp_path: Path) -> None:
    path = tmp_path / "a.wav"
    soundfile.write(path, tone().samples, 16_000)
    content = bytearray(path.read_bytes())
    content[4:8] = content[40:44] = struct.pack("<I", 0xFFFF_FFFF)
    path.write_bytes(content)
    assert read_audio(path).seconds == 1.0


def test_a_flac_without_its_length_is_refused_and_not_taken_for_damaged(tmp_path: Path) -> None:
    path = tmp_path / "a.flac"
    write_flac(path, tone())
    content = bytearray(path.read_bytes())
    content[21] &= 0xF0  # the 36 bits of the number of samples; zero is "not known"
    content[22:26] = bytes(4)
    path.write_bytes(content)
    assert "does not state its length" in refusal(path)


def test_resampling_keeps_pitch_length_and_is_the_same_every_time() -> None:
    audio = tone(1.0, 48_000)
    assert resample(audio, 48_000) is audio
    down = resample(audio, 16_000)
    assert len(down.samples) == 16_000
    assert np.argmax(np.abs(np.fft.rfft(down.samples.astype(float)))) == 440
    assert int(down.samples.max()) == pytest.approx(10_000, rel=0.02)
    # Separate processes, because dither would be seeded by time and address.
    program = (
        "import hashlib, numpy as np; from assistant.speech.audio import *;"
        "x = np.random.default_rng(3).integers(-9999, 9999, 48000).astype(np.int16);"
        "print(hashlib.sha256(resample(Audio(x, 48000), 16000).samples.tobytes()).hexdigest())"
    )
    results = {subprocess.check_output([sys.executable, "-c", program], cwd=Path.cwd()) for _ in range(2)}
    assert len(results) == 1


def test_silence_stays_silence_when_resampled() -> None:
    assert not resample(Audio(np.zeros(48_000, np.int16), 48_000), 16_000).samples.any()


def test_resampling_clips_instead_of_wrapping() -> None:
    square = np.where(np.arange(48_000) // 100 % 2, 32_767, -32_768).astype(np.int16)
    down = resample(Audio(square, 48_000), 44_100).samples.astype(int)
    assert np.abs(np.diff(down)).max() < 65_536
    assert down.max() == 32_767
    assert down.min() == -32_768


@contextmanager
def files_limited_to(size: int) -> Iterator[None]:
    before = resource.getrlimit(resource.RLIMIT_FSIZE)
    handler = signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
    resource.setrlimit(resource.RLIMIT_FSIZE, (size, before[1]))
    try:
        yield
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, before)
        signal.signal(signal.SIGXFSZ, handler)


def test_no_room_is_one_sentence_and_leaves_what_was_there(tmp_path: Path) -> None:
    path = tmp_path / "a.flac"
    write_flac(path, tone())
    noise = np.random.default_rng(2).integers(-9_000, 9_000, 200_000).astype(np.int16)
    with files_limited_to(4_096), pytest.raises(Problem) as caught:
        write_flac(path, Audio(noise, 16_000))
    assert str(path) in str(caught.value)
    assert str(caught.value).endswith("free some space, then try again.")
    assert [entry.name for entry in tmp_path.iterdir()] == ["a.flac"]
    assert np.array_equal(read_audio(path).samples, tone().samples)


def test_a_missing_folder_is_one_sentence(tmp_path: Path) -> None:
    with pytest.raises(Problem, match=r"could not be written: .*; make its folder"):
        write_flac(tmp_path / "none" / "a.flac", tone())


def test_no_samples_make_no_file(tmp_path: Path) -> None:
    with pytest.raises(ValueError, match="without samples"):
        write_flac(tmp_path / "a.flac", Audio(np.zeros(0, np.int16), 16_000))
    with pytest.raises(ValueError, match="without samples"):
        VisitTrack(16_000).write(tmp_path / "a.flac")
    assert list(tmp_path.iterdir()) == []


def test_a_visit_has_people_left_and_the_assistant_right(tmp_path: Path) -> None:
    track = VisitTrack(16_000)
    heard = np.full(800, 5, np.int16)
    track.add("people", heard)
    heard[:] = 9  # a buffer used again by the microphone changes nothing
    track.add("assistant", np.full(1_600, -7, np.int16))
    track.add("people", np.full(400, 3, np.int16))
    assert track.seconds == 2_800 / 16_000
    track.write(tmp_path / "visit.flac")
    both, rate_hz = soundfile.read(tmp_path / "visit.flac", dtype="int16")
    assert rate_hz == 16_000
    assert list(both[:, 0]) == [5] * 800 + [0] * 1_600 + [3] * 400
    assert list(both[:, 1]) == [0] * 800 + [-7] * 1_600 + [0] * 400


def test_the_silence_at_an_end_goes_and_that_within_stays():
    word = np.full(1600, 3000, np.int16)
    pause = np.full(800, 20, np.int16)
    audio = Audio(np.concatenate([word, pause, word, np.zeros(8000, np.int16)]), 16_000)
    assert len(without_silent_end(audio, 0.05).samples) == 4000 + 800
    assert len(without_silent_end(Audio(pause, 16_000), 0.0).samples) == 0
