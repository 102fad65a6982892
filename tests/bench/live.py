"""Figures of the live side on the virtual sound card: `make bench-live`. They are printed, never asserted.

live.py [--only NAME...] [--whole] [--times N] [--prompts N] [--hours H]

The parts, with what they take on two cores: latency (2 to 5 minutes; --whole: the whole visit, about ten), interrupt
(4 s for each of --times, 20), stopwatch (10 s), own-voice (0.2 s for each of --prompts, 500), memory (5 minutes for
each of --hours of sound, 8).
"""

from __future__ import annotations

import argparse
import resource
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np

HERE = Path(__file__).parent
sys.path[:0] = [str(HERE.parent), str(HERE.parent / "live")]

from card import Card  # noqa: E402
from technician import FIXTURES, Clips, LiveVisit, Script, found_in  # noqa: E402

from assistant.files import library  # noqa: E402
from assistant.language.meaning import Question  # noqa: E402
from assistant.language.phrases import Expected  # noqa: E402
from assistant.models_commands import store  # noqa: E402
from assistant.speech.audio import read_audio, resample  # noqa: E402
from assistant.speech.ears import Ears, Utterance  # noqa: E402
from assistant.speech.recognizer import VoskRecognizer  # noqa: E402
from assistant.speech.voice import ChildVoice, VoiceSettings  # noqa: E402
from assistant.visit.record import Record, audio_of  # noqa: E402
from assistant.visit.visit import setting_of  # noqa: E402

RATE = 16_000


def spread(name: str, values: list[float], unit: str = "ms") -> None:
    """One line of figures."""
    if not values:
        print(f"{name}: nothing to measure")
        return
    scaled = np.array(values) * (1000 if unit == "ms" else 1)
    p50, p95 = np.percentile(scaled, [50, 95])
    print(f"{name}: p50 {p50:.0f} {unit}, p95 {p95:.0f} {unit}, worst {scaled.max():.0f} {unit} (n={len(values)})")


def latency(until: str) -> None:
    """From the end of speech to the first sound of speech, of a visit through PortAudio both ways."""
    with tempfile.TemporaryDirectory() as folder, Card() as card:
        with LiveVisit(card, FIXTURES / "hot-surface.job.yaml", Path(folder)) as live:
            live.work(Script(until=until), limit_s=1500)
            if live.process.poll() is None:
                live.stop()
            live.measure()
            assert live.record
            with Record.open(live.record, read_only=True) as record:
                dialogue = setting_of(record).dialogue()
        kinds: dict[bool | None, list[float]] = {False: [], True: [], None: []}
        for spoken in live.spoken:
            took = spoken.answered_s - spoken.ended_s
            if took < 4.0:  # else it was not answered: a mark
                grown = dialogue.language.can_grow(spoken.words, dialogue.question(spoken.state))
                kinds[grown].append(took)
                print(f"  {1000 * took:5.0f} ms  {spoken.state.step:18} {spoken.words}")
    spread("answer, words that cannot grow", kinds[False])
    spread("answer, words that can grow", kinds[True])
    spread("answer, no answer yet", kinds[None])


def interrupt(times: int) -> None:
    """On a headset: from the end of "stop" to silence; and from the last sample that was heard when it was known, which
    leaves in the way of that sample into the program."""
    ended: list[float] = []
    known: list[float] = []
    lost = 0
    job = FIXTURES / "hot-surface.job.yaml"
    with (
        tempfile.TemporaryDirectory() as folder,
        Card() as card,
        LiveVisit(card, job, Path(folder), "--headset") as live,
    ):
        for _ in range(times):
            spoken = live.interrupt("stop")
            bodies = interruptions(live)
            if len(bodies) != len(ended) + 1:
                lost += 1
                live.say("go on", spoken.state)
                continue
            end_s = live.ended(spoken)
            body, sound = bodies[-1]
            # The microphone's clock against the room's: by where the words end in the recording.
            words_end = body["stream_from_s"] + (found_in(spoken.clip, sound) + len(spoken.clip)) / RATE
            known_s = end_s + body["cut_at_s"] - words_end
            silent_s = live.silent(spoken, known_s)
            ended.append(silent_s - end_s)
            known.append(silent_s - known_s)
            print(
                f"  {1000 * ended[-1]:5.0f} ms after the word's end, {1000 * known[-1]:4.0f} ms after what was needed"
            )
            live.say("go on", spoken.state)
        live.stop()
    spread("interrupt, from the end of the word to silence", ended)
    spread("interrupt, from the last sound that was needed to know it to silence", known)
    print(f"  not cut off: {lost} of {times}")


def interruptions(live: LiveVisit) -> list[tuple[dict[str, Any], np.ndarray]]:
    """What the record has of them: the entry and its sound."""
    assert live.record
    with Record.open(live.record, read_only=True) as record:
        bodies = [entry.body for entry in record.entries() if entry.kind == "said" and "interrupted" in entry.body]
        return [(body, read_audio(audio_of(live.record) / body["audio"]).samples) for body in bodies]


class Sound:
    """Sound as a source."""

    rate_hz = RATE
    overflows = 0

    def __init__(self, samples: np.ndarray) -> None:
        self.samples = samples

    def blocks(self):
        """All of it."""
        for at in range(0, len(self.samples), 1600):
            yield self.samples[at : at + 1600]

    def discard(self) -> int:
        """Nothing."""
        return 0


def stopwatch(recognizer: VoskRecognizer, cache: Path) -> None:
    """The start of the word "mark" against where it was put, in blower noise 20 and 10 dB below."""
    rng = np.random.default_rng(11)
    question = Question("warm-up", library().quantities["warm-up-time"])
    expected = Expected(library().language, question)
    clips = Clips(cache)
    voices = [clips["mark"]]
    for rate_wpm in (110, 130, 150, 170, 200):
        with ChildVoice(VoiceSettings(rate_wpm=rate_wpm), cache) as voice:
            sound = resample(voice.render("mark"), RATE).samples
            loud = np.flatnonzero(np.abs(sound) > 300)
            voices.append(sound[loud[0] : loud[-1] + 1])
    errors: dict[int, list[float]] = {20: [], 10: []}
    missed = 0
    for snr_db, found in errors.items():
        for clip in voices:
            for _ in range(6):
                at = int(rng.integers(RATE, 2 * RATE))
                room = np.zeros(4 * RATE)
                room[at : at + len(clip)] += clip
                level = np.sqrt(np.mean(clip.astype(float) ** 2)) / 10 ** (snr_db / 20)
                noise = np.convolve(rng.normal(0, 1, len(room)), np.ones(8) / 8, "same")
                samples = np.clip(room + noise * level / noise.std(), -32768, 32767).astype(np.int16)
                got = Ears(recognizer, Sound(samples)).listen(expected, lambda _: False, 60.0)
                if isinstance(got, Utterance) and got.heard.text == "mark":
                    found.append(got.first_word_s - at / RATE)
                else:
                    missed += 1
    clips.close()
    for snr_db, found in errors.items():
        spread(f"stopwatch, {snr_db} dB, size of the error", [abs(error) for error in found])
        print(f"  mean {1000 * np.mean(found):+.0f} ms; two marks by one voice share it")
    print(f"  not heard as mark: {missed} of {2 * 6 * len(voices)}")


def own_voice(recognizer: VoskRecognizer, cache: Path, prompts: int = 500) -> None:
    """Readings and commands out of the assistant's own voice: captured whole, but never listened to."""
    shelf = library()
    texts = [step.say for procedure in shelf.procedures.values() for step in procedure.steps]
    texts += [hazard.say for hazard in shelf.hazards.values()]
    texts = list(dict.fromkeys(texts))
    question = Question("line-voltage", shelf.quantities["line-voltage"])
    expected = Expected(shelf.language, question)
    taken = 0
    with ChildVoice(VoiceSettings(), cache) as voice:
        for number in range(prompts):
            sound = resample(voice.render(texts[number % len(texts)]), RATE).samples
            source = Leak(sound)
            ears = Ears(recognizer, source, tail_s=0.3)
            ears.spoke()
            got = ears.listen(expected, lambda _: False, 3.0)
            if isinstance(got, Utterance):
                meaning = shelf.language.understand(got.heard.text, question)
                taken += type(meaning).__name__ in ("Reading", "Readings", "Command")
    print(f"readings or commands from the own voice: {taken} in {prompts} prompts ({len(texts)} different)")


class Leak(Sound):
    """The own voice as the microphone has it: queued up when it ended, with an echo of 0.2 s after it."""

    def __init__(self, voice: np.ndarray) -> None:
        self.queued = len(voice)
        tail = np.zeros(4 * RATE, np.int16)
        echo = voice[-int(0.2 * RATE) :] // 2
        tail[: len(echo)] = echo
        super().__init__(tail)

    def discard(self) -> int:
        """What was queued."""
        dropped, self.queued = self.queued, 0
        return dropped


def memory(hours: float) -> None:
    """Memory while hours of sound go through the ears, as fast as they take it; the recognizer is rebuilt between
    visits, as when one program works several."""
    sound = resample(read_audio(FIXTURES / "hot-surface.flac"), RATE).samples
    question = Question("line-voltage", library().quantities["line-voltage"])
    expected = Expected(library().language, question)
    visits = max(2, round(hours * 3600 * RATE / len(sound)))
    before = resident_mb()
    first = 0.0
    began = time.perf_counter()
    for number in range(visits):
        ears = Ears(VoskRecognizer(store().model_in_use()), Sound(sound))
        while ears.listen(expected, lambda _: False, 60.0) is not None:
            pass
        del ears  # or two models are alive while the next one is built
        if number == 0:
            first = resident_mb()
    hours = visits * len(sound) / RATE / 3600
    took_s = time.perf_counter() - began
    grown = 100 * (resident_mb() / first - 1)
    peak_mb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    print(
        f"memory over {hours:.1f} h of sound in {visits} visits: {before:.0f} MB before, {first:.0f} MB after the first"
    )
    print(f"  {resident_mb():.0f} MB at the end ({grown:+.1f} % against the first), peak {peak_mb:.0f} MB")
    print(f"  {took_s / hours:.0f} s an hour of sound")


def resident_mb() -> float:
    """Resident memory of this process."""
    pages = int(Path("/proc/self/statm").read_text().split()[1])
    return pages * resource.getpagesize() / 2**20


PARTS = ("latency", "interrupt", "stopwatch", "own-voice", "memory")


def main() -> None:
    """The parts that are asked for."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--only", nargs="+", choices=PARTS, default=PARTS)
    parser.add_argument("--whole", action="store_true")
    parser.add_argument("--times", type=int, default=20)
    parser.add_argument("--prompts", type=int, default=500)
    parser.add_argument("--hours", type=float, default=8.0)
    asked = parser.parse_args()
    cache = Path(tempfile.mkdtemp(prefix="bench-live-"))
    parts: dict[str, Callable[[], None]] = {
        "latency": lambda: latency("" if asked.whole else "fit-meters"),
        "interrupt": lambda: interrupt(asked.times),
        "stopwatch": lambda: stopwatch(VoskRecognizer(store().model_in_use()), cache),
        "own-voice": lambda: own_voice(VoskRecognizer(store().model_in_use()), cache, asked.prompts),
        "memory": lambda: memory(asked.hours),
    }
    for name in PARTS:
        if name in asked.only:
            began = time.perf_counter()
            parts[name]()
            print(f"  ({name}: {time.perf_counter() - began:.0f} s)", flush=True)


if __name__ == "__main__":
    main()
