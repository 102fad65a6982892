"""Figures of the live side on the virtual sound card: `make bench-live`. They are printed, never asserted.

live.py [--only NAME...] [--whole] [--times N] [--prompts N] [--hours H]

The parts, with what they take on two cores: latency (2 to 5 minutes; --whole: the whole visit, about ten), interrupt
(4 s for each of --times, 20), false-interrupts, stopwatch (10 s), own-voice (--prompts, 500), memory (5 minutes for
each of --hours of sound, 8).
"""

from __future__ import annotations

import argparse
import csv
import random
import resource
import sys
import tempfile
import time
from collections.abc import Callable
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np

HERE = Path(__file__).parent
sys.path[:0] = [str(HERE.parent), str(HERE.parent / "live")]

from card import Card  # noqa: E402
from technician import FIXTURES, Clips, LiveVisit, Script, found_in  # noqa: E402

from assistant.dialogue.effects import Say  # noqa: E402
from assistant.dialogue.events import Event, Opened, Said, Voiced  # noqa: E402
from assistant.dialogue.machine import Dialogue  # noqa: E402
from assistant.files import library, read_job  # noqa: E402
from assistant.language.heard import Heard  # noqa: E402
from assistant.language.meaning import Command, Question, Reading, Readings  # noqa: E402
from assistant.language.phrases import Expected  # noqa: E402
from assistant.record.record import Record, audio_of  # noqa: E402
from assistant.record.setting import setting_of  # noqa: E402
from assistant.session.expecting import Expecting  # noqa: E402
from assistant.session.loop import stretches  # noqa: E402
from assistant.speech.audio import Audio, read_audio, resample  # noqa: E402
from assistant.speech.ears import Ears, Utterance  # noqa: E402
from assistant.speech.models import user_store  # noqa: E402
from assistant.speech.recognizer import VoskRecognizer  # noqa: E402
from assistant.speech.room import OWN_VOICE, Room, level_db  # noqa: E402
from assistant.speech.room import own_voice as own_voice_in  # noqa: E402
from assistant.speech.voice import Voice  # noqa: E402

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

    def take(self, timeout_s: float) -> np.ndarray:
        """The next of it."""
        block, self.samples = self.samples[:1600], self.samples[1600:]
        if not len(block):
            raise EOFError
        return block

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
        with Voice(cache) as voice:
            sound = resample(voice.render("mark", rate_wpm), RATE).samples
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


@dataclass(frozen=True)
class Echo:
    """A room as the microphone hears the loudspeaker in it: how late its voice comes (sound server and air), how long
    it rings (to 60 dB less, in seconds), and how much weaker it is there."""

    delay_s: float
    ring_s: float
    weaker_db: float = 6.0

    def captured(self, voice: np.ndarray, rng: np.random.Generator) -> np.ndarray:
        """The voice in the microphone, and 3.5 s of the room after it, in a noise of -55 dBFS."""
        at = np.arange(round(self.ring_s * RATE))
        answer = rng.normal(0, 0.03, len(at)) * 10 ** (-3 * at / max(1, len(at)))
        answer[0] = 1.0
        sound = np.convolve(voice.astype(float), answer) * 10 ** (-self.weaker_db / 20)
        room = rng.normal(0, 58, round(self.delay_s * RATE) + len(voice) + round(3.5 * RATE))
        begin = round(self.delay_s * RATE)
        room[begin : begin + len(sound)] += sound[: len(room) - begin]
        return np.clip(room, -32768, 32767).astype(np.int16)

    def tail_s(self, voice: np.ndarray, rng: np.random.Generator) -> float:
        """What `self-check --listen` proposes there."""
        heard = self.captured(voice, rng)
        noise = level_db(rng.normal(0, 58, 2 * RATE).astype(np.int16))
        return Room(noise, own_voice_in(voice, heard, len(voice) / RATE + PLAYED_AFTER_S, noise, RATE)).tail_s


PLAYED_AFTER_S = 0.1  # silence that the player plays after a sound
ECHOES = (Echo(0.02, 0.2), Echo(0.08, 0.4), Echo(0.15, 0.6), Echo(0.25, 0.8))


def spoken_in(path: Path) -> list[dict[str, str]]:
    """The rows of a recording's table."""
    with path.open(encoding="utf-8") as table:
        return list(csv.DictReader((line for line in table if not line.startswith("#")), delimiter="\t"))


def said_on_visits() -> list[tuple[str, Question]]:
    """Every text that the assistant says on the recorded visits, a stretch each, and what is asked when it is over."""
    found: dict[tuple[str, str], tuple[str, Question]] = {}
    for path in sorted(FIXTURES.glob("*.spoken.tsv")):
        name = path.name.split(".")[0]
        dialogue = Dialogue(library().language, library().rules_for(read_job(FIXTURES / f"{name}.job.yaml")))
        state = dialogue.start()
        said = [Said(Heard(row["text"].lower()), float(row["start_s"]), "x.flac") for row in spoken_in(path)]
        for event in [Opened(), *said]:
            follows: Event | None = event
            while follows:
                state, effects = dialogue.step(state, follows)
                says = [effect for effect in effects if isinstance(effect, Say)]
                follows = Voiced(complete=True) if says else None
                question = dialogue.question(state)
                for say in stretches(says):
                    found[say.text, question.name] = say.text, question
    return list(found.values())


def own_voice(recognizer: VoskRecognizer, cache: Path, prompts: int = 500) -> None:
    """Readings and commands out of the assistant's own voice, in rooms that ring: half-duplex with the tail that was
    measured there; with the usual tail; and with no regard to it at all, to show that there was something to hear."""
    texts = said_on_visits()
    random.Random(3).shuffle(texts)
    expecting = Expecting(library().language)
    rng = np.random.default_rng(5)
    print(f"own voice: {len(texts)} different texts of the recorded visits, each where it is said")
    with Voice(cache) as voice:

        def said(text: str) -> np.ndarray:
            return resample(voice.render(text), RATE).samples

        def taken(text: str, question: Question, echo: Echo, tail_s: float | None) -> bool:
            sound = said(text)
            captured = echo.captured(sound, rng)
            playing = len(sound) + round(PLAYED_AFTER_S * RATE)
            source = Sound(captured) if tail_s is None else Leak(captured, playing)
            ears = Ears(recognizer, source, tail_s=tail_s or 0.0)
            language = library().language
            while True:
                got = ears.listen(expecting[question], partial(language.can_grow, question=question), 60.0)
                if not isinstance(got, Utterance):
                    return False
                if isinstance(language.understand(got.heard.text, question), Reading | Readings | Command):
                    return True

        tails = [echo.tail_s(said(OWN_VOICE), rng) for echo in ECHOES]
        kinds: list[tuple[str, int, list[float | None]]] = [
            ("the tail measured there", prompts, [*tails]),
            ("a tail of 0.3 s", prompts // 5, [0.3] * len(ECHOES)),
            ("no tail", prompts // 5, [0.0] * len(ECHOES)),
            ("heard while it speaks", prompts // 5, [None] * len(ECHOES)),
        ]
        for name, times, each in kinds:
            counts = [0] * len(ECHOES)
            for number in range(times):
                room = number % len(ECHOES)
                text, question = texts[number % len(texts)]
                counts[room] += taken(text, question, ECHOES[room], each[room])
            rooms = ", ".join(
                f"{count} ({1000 * echo.delay_s:.0f} ms late, rings {echo.ring_s:g} s"
                + (f", tail {tail:.2f} s)" if tail else ")")
                for count, echo, tail in zip(counts, ECHOES, each, strict=True)
            )
            print(f"  {name}: {sum(counts)} readings or commands in {times} prompts: {rooms}", flush=True)


class Leak(Sound):
    """The own voice as the microphone has it: what was captured while it was played is queued, the rest comes."""

    def __init__(self, captured: np.ndarray, playing: int) -> None:
        super().__init__(captured[playing:])
        self.queued = playing

    def discard(self) -> int:
        """What was queued."""
        dropped, self.queued = self.queued, 0
        return dropped


def false_interrupts(recognizer: VoskRecognizer) -> None:
    """On a headset: the voice cut off by what is no stop and no emergency; the recorded visits, overheard."""
    language = library().language
    expected = Expected(language, Question("between"))
    cuts, right, utterances = 0, 0, 0
    for path in sorted(FIXTURES.glob("*.flac")):
        sound = read_audio(path)
        for row in spoken_in(path.with_suffix(".spoken.tsv")):
            urgent = bool(language.urgent(row["text"]))
            first, last = (round(float(row[key]) * sound.rate_hz) for key in ("start_s", "end_s"))
            part = sound.samples[max(0, first - sound.rate_hz // 2) : last + sound.rate_hz]
            cut: list[int] = []
            Ears(recognizer, Sound(resample(Audio(part, sound.rate_hz), RATE).samples)).overhear(
                expected,
                lambda text: bool(language.urgent(text)),
                lambda: False,
                partial(cut.append, 1),
                lambda _: None,
            )
            utterances += not urgent
            cuts += bool(cut) and not urgent
            right += bool(cut) and urgent
            if cut and not urgent:
                print(f"  cut off by {row['text']!r} ({path.stem})")
    print(f"interrupt: the voice was cut off by {cuts} of {utterances} utterances that are none; by {right} that are")


def memory(hours: float) -> None:
    """The most memory held in each visit while hours of sound go through the ears, as fast as they take it; the
    recognizer is built anew for each, as when one program works several."""
    sound = resample(read_audio(FIXTURES / "hot-surface.flac"), RATE).samples
    question = Question("line-voltage", library().quantities["line-voltage"])
    expected = Expected(library().language, question)
    visits = max(2, round(hours * 3600 * RATE / len(sound)))
    before = resident_mb()
    most: list[float] = []
    began = time.perf_counter()
    for _ in range(visits):
        ears = Ears(VoskRecognizer(user_store().model_in_use()), Sound(sound))
        most.append(0.0)
        while ears.listen(expected, lambda _: False, 60.0) is not None:
            most[-1] = max(most[-1], resident_mb())
        del ears  # or two models are alive while the next one is built
    hours = visits * len(sound) / RATE / 3600
    took_s = time.perf_counter() - began
    print(f"memory over {hours:.1f} h of sound in {visits} visits: {before:.0f} MB before")
    print(f"  most held in the first visit {most[0]:.1f} MB, in the third {most[min(2, visits - 1)]:.1f} MB, ", end="")
    print(f"in the last {most[-1]:.1f} MB ({100 * (most[-1] / most[0] - 1):+.1f} % against the first)")
    print(f"  {took_s / hours:.0f} s an hour of sound")


def resident_mb() -> float:
    """Resident memory of this process."""
    pages = int(Path("/proc/self/statm").read_text().split()[1])
    return pages * resource.getpagesize() / 2**20


PARTS = ("latency", "interrupt", "false-interrupts", "stopwatch", "own-voice", "memory")


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
        "false-interrupts": lambda: false_interrupts(VoskRecognizer(user_store().model_in_use())),
        "stopwatch": lambda: stopwatch(VoskRecognizer(user_store().model_in_use()), cache),
        "own-voice": lambda: own_voice(VoskRecognizer(user_store().model_in_use()), cache, asked.prompts),
        "memory": lambda: memory(asked.hours),
    }
    for name in PARTS:
        if name in asked.only:
            began = time.perf_counter()
            parts[name]()
            print(f"  ({name}: {time.perf_counter() - began:.0f} s)", flush=True)


if __name__ == "__main__":
    main()
