"""A simulated technician: speaks the people's side of a visit through the virtual card.

It hears by the room's sound when the assistant's voice has ended, then gives the answer to what is asked; what
is asked it knows from the record, as a person knows it from the words. What it says are recordings of natural
voices where the fixtures hold the words, else the bundled voice.
"""

from __future__ import annotations

import csv
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, field
from decimal import Decimal
from itertools import accumulate
from pathlib import Path
from typing import Self

import numpy as np
import soundfile
from card import RATE_HZ, Card
from numpy.typing import NDArray

from assistant.dialogue.machine import Dialogue
from assistant.dialogue.state import (
    Candidate,
    Confirming,
    FollowUp,
    Holding,
    Missed,
    Phase,
    Proposing,
    State,
    Telling,
    Warned,
)
from assistant.errors import Problem
from assistant.files import top_folder
from assistant.language.meaning import Reading
from assistant.record.fold import turns
from assistant.record.record import Record
from assistant.record.setting import setting_of
from assistant.speech.audio import resample
from assistant.speech.earcons import earcon
from assistant.speech.voice import Voice
from assistant.trade.procedures import Step

VOICE_FROM = 300  # of int16's full scale: quieter is no voice of the assistant
TURN_S = 1.3  # silence after which a person takes the turn; the assistant pauses 0.9 s between sentences
FIXTURES = top_folder("audio_fixtures") / "visits"
JOB = FIXTURES / "hot-surface-brief.job.yaml"
HEADSET = ("--microphone", "headset_microphone", "--loudspeaker", "headset_loudspeaker")

# The answers to the demo's job, by the step's quantity; the words are those of its recordings.
WORDS = {
    "ambient-co": "three parts per million",
    "igniter-resistance": "sixty two ohms",
    "rod-to-ground": "open",
    "ground-resistance": "point eight",
    "line-voltage": "one twenty two point four volts",
    "neutral-to-ground": "point six volts",
    "inlet-pressure": "seven point two inches",
    "igniter-voltage": "one twenty one volts",
    "warm-up-time": "eighteen seconds",
    "trial-for-ignition": "four seconds",
    "flame-signal": "three point two microamps",
    "inlet-pressure-running": "six point nine inches",
    "manifold-pressure": "three point five inches",
    "meter-dial-seconds": "twenty four seconds",
    "return-temperature": "sixty eight degrees",
    "supply-temperature": "one twenty degrees",
    "flue-oxygen": "seven point five percent",
    "flue-co": "twenty eight parts",
}


class Clips:
    """Sound for words, 16 kHz; start_s and end_s of the speech in it. Natural voices come first."""

    def __init__(self, cache: Path) -> None:
        self._voice = Voice(cache)
        self._cut: dict[str, NDArray[np.int16]] = {}
        self._recorded: dict[str, tuple[Path, int, int]] = {}  # the recording that holds the words, from where to where
        for table in sorted(FIXTURES.glob("*.spoken.tsv")):
            recording = table.with_name(table.name.replace(".spoken.tsv", ".flac"))
            with table.open(encoding="utf-8") as lines:
                for row in csv.DictReader((line for line in lines if not line.startswith("#")), delimiter="\t"):
                    start, end = (round(float(row[key]) * RATE_HZ) for key in ("start_s", "end_s"))
                    self._recorded.setdefault(row["text"].lower(), (recording, start, end))

    def __getitem__(self, words: str) -> NDArray[np.int16]:
        key = words.lower()
        if key in self._recorded and key not in self._cut:
            recording, start, end = self._recorded[key]
            self._cut[key], rate_hz = soundfile.read(recording, start=start, stop=end, dtype="int16")
            assert rate_hz == RATE_HZ
        if key not in self._cut:
            sound = resample(self._voice.render(words, 140), RATE_HZ).samples
            loud = np.flatnonzero(np.abs(sound) > VOICE_FROM)
            self._cut[key] = sound[loud[0] : loud[-1] + 1]
        return self._cut[key]

    def close(self) -> None:
        """Ends the voice."""
        self._voice.close()


class Room:
    """Everything that sounds in the room, recorded while open."""

    def __init__(self, card: Card) -> None:
        self._process = card.record()
        self._pieces: list[NDArray[np.int16]] = []
        self.samples = 0  # recorded so far
        self.voice_at = 0  # the last sample with the assistant's voice
        self.voiced = False
        self._thread = threading.Thread(target=self._record, daemon=True)
        self._thread.start()

    def _record(self) -> None:
        assert self._process.stdout
        rest = b""
        while data := self._process.stdout.read(4096):
            rest += data
            whole = len(rest) // 4 * 4
            both = np.frombuffer(rest[:whole], np.int16).reshape(-1, 2)
            rest = rest[whole:]
            loud = np.flatnonzero(np.abs(both[:, 1].astype(np.int32)) > VOICE_FROM)
            if len(loud):
                self.voice_at = self.samples + int(loud[-1])
                self.voiced = True
            self._pieces.append(both)
            self.samples += len(both)

    @property
    def quiet_s(self) -> float:
        """For how long the assistant has been silent."""
        return (self.samples - self.voice_at) / RATE_HZ

    def sides(self, from_sample: int = 0) -> tuple[NDArray[np.int16], NDArray[np.int16]]:
        """People and the assistant, from a sample on."""
        both = np.concatenate(self._pieces)[from_sample:]
        return both[:, 0], both[:, 1]

    def close(self) -> None:
        """Ends the recording."""
        self._process.kill()
        self._process.wait()
        self._thread.join()


@dataclass
class Spoken:
    """One thing that was said. from_sample: the room's clock just before it. question: what was asked."""

    words: str
    clip: NDArray[np.int16]
    from_sample: int
    state: State | None
    ended_s: float = 0.0  # of the speech, on the room's clock
    answered_s: float = 0.0  # first sound of the assistant's words after it


@dataclass
class Script:
    """What is out of the ordinary.

    words: step -> what is said instead. first: step -> things said before the answer, in order. late_s: step ->
    how long the technician takes. marks_s: timed step -> seconds from each of its marks to the next. until: the step
    at which the technician leaves.
    """

    words: Mapping[str, str] = field(default_factory=dict)
    first: Mapping[str, Sequence[str]] = field(default_factory=dict)
    late_s: Mapping[str, float] = field(default_factory=dict)
    marks_s: Mapping[str, Sequence[float]] = field(default_factory=dict)
    until: str = ""


class LiveVisit:
    """The real command `assistant visit` on the card, with a technician; open inside `with`."""

    def __init__(self, card: Card, job: Path, folder: Path, *options: str, cache: Path | None = None) -> None:
        self.card, self.folder = card, folder
        command = [sys.executable, "-m", "assistant", "visit", "--folder", str(folder), *options]
        if "--resume" not in options:
            real = folder / "real.job.yaml"  # a job that says that it is invented is only taken by the demo
            real.write_text(job.read_text(encoding="utf-8").replace("invented: true\n", ""), encoding="utf-8")
            command += ["--job", str(real)]
        self.environment = {**card.environment, "COLUMNS": "200", "XDG_CACHE_HOME": str(cache or folder / "cache")}
        self._noise: subprocess.Popen[bytes] | None = None
        self._out = (folder / "out.txt").open("w")
        self.room = Room(card)
        self.noise(60)
        self.process = subprocess.Popen(command, env=self.environment, stdout=self._out, stderr=self._out)
        self.clips = Clips(folder / "clips")
        self.spoken: list[Spoken] = []
        self._done: dict[str, int] = {}

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.process.kill()
        self.process.wait()
        if self._noise:
            self._noise.kill()
            self._noise.wait()
        self.room.close()
        self.clips.close()
        self._out.close()

    def reinsert(self) -> None:
        """Puts the card back after it was removed."""
        self.room.close()
        self.card.insert()
        self.room = Room(self.card)
        self.noise(60)

    @property
    def output(self) -> str:
        """What the command printed."""
        return (self.folder / "out.txt").read_text(encoding="utf-8")

    @property
    def record(self) -> Path | None:
        """Where the record is, once there is one."""
        return next(iter(sorted(self.folder.rglob("visit.sqlite"))), None)

    def noise(self, level: float, seconds: float = 900.0) -> None:
        """Starts the noise of a blower; level: its RMS of int16."""
        white = np.random.default_rng(5).normal(0, 1, round(seconds * RATE_HZ)).astype(np.float32)
        brown = np.convolve(white, np.ones(8, np.float32) / 8, "same")
        samples = (brown * level / brown.std()).astype(np.int16)

        def feed() -> None:
            self._noise = self.card.say(samples)

        threading.Thread(target=feed, daemon=True).start()

    def state(self) -> tuple[Dialogue, State] | None:
        """What the record says of the visit now."""
        if self.record is None:
            return None
        with suppress(Problem), Record.open(self.record, read_only=True) as record:
            dialogue = setting_of(record).dialogue()
            last = None
            for last in turns(record):  # noqa: B007 - only the last is wanted
                pass
            return (dialogue, last.after) if last else None
        return None

    def work(self, script: Script, limit_s: float) -> State:
        """Speaks until the visit is closed, or the script's last step is reached; the state then."""
        deadline = time.monotonic() + limit_s
        while True:
            now = self.listen(deadline)
            if now is None:
                raise AssertionError(f"the visit ended by itself:\n{self.output[-3000:]}")
            dialogue, state = now
            if state.phase is Phase.CLOSED or state.step == script.until:
                return state
            step = dialogue.rules.procedure.step(state.step)
            if state.phase is Phase.ASKING and step.kind == "time" and not state.hand.untold:
                self.mark(script.marks_s[step.id])
                continue
            words = self._answer(dialogue, state, script)
            if not words:
                time.sleep(0.2)
                continue
            self.say(words, state)

    def listen(self, deadline: float) -> tuple[Dialogue, State] | None:
        """Waits until it is the technician's turn; None where the assistant's program has ended."""
        while True:
            if time.monotonic() > deadline:
                raise AssertionError(f"nothing more came:\n{self.output[-3000:]}")
            if self.room.voiced and self.room.quiet_s >= TURN_S and (now := self.state()):
                return now
            if self.process.poll() is not None:
                return self.state() if self.process.returncode == 0 else None
            time.sleep(0.05)

    def hear_out(self, limit_s: float = 30.0) -> None:
        """Waits until the assistant has spoken."""
        deadline = time.monotonic() + limit_s
        while not (self.room.voiced and self.room.quiet_s >= TURN_S):
            assert time.monotonic() < deadline, f"nothing was said:\n{self.output[-3000:]}"
            time.sleep(0.05)

    def say(self, words: str, state: State | None = None) -> Spoken:
        """Says the words and waits for the assistant's answer, but no longer than a person would. state: of the visit
        before, where there is one already."""
        clip = self.clips[words]
        spoken = Spoken(words, clip, self.room.samples, state)
        self.spoken.append(spoken)
        self.room.voiced = False
        self.card.say(clip).wait()
        self._wait_for_voice()
        return spoken

    def _wait_for_voice(self) -> None:
        waited_until = time.monotonic() + 4.0
        while not self.room.voiced and time.monotonic() < waited_until:
            time.sleep(0.02)
        self.room.voiced = True  # nothing was said: the technician says it again

    def mark(self, apart_s: Sequence[float]) -> None:
        """Says "mark" again and again, so far apart, and waits for the answer to the last."""
        clip, began = self.clips["mark"], time.monotonic()
        for at_s in accumulate(apart_s, initial=0.0):
            time.sleep(max(0.0, began + at_s - time.monotonic()))
            self.room.voiced = False
            playing = self.card.say(clip)
        playing.wait()
        self._wait_for_voice()

    def interrupt(self, words: str, limit_s: float = 30.0) -> Spoken:
        """Says the words as soon as the assistant has spoken for half a second; waits until both are silent."""
        clip = self.clips[words]
        deadline = time.monotonic() + limit_s
        since: float | None = None
        while since is None or time.monotonic() - since < 0.5:
            assert time.monotonic() < deadline, "the assistant says nothing"
            speaks = self.room.voiced and self.room.quiet_s < 0.2
            since = (since or time.monotonic()) if speaks else None
            time.sleep(0.01)
        now = self.state()
        spoken = Spoken(words, clip, self.room.samples, now[1] if now else None)
        self.card.say(clip).wait()
        time.sleep(1.0)
        return spoken

    def ended(self, spoken: Spoken) -> float:
        """When on the room's clock the words of an interruption ended, in seconds."""
        people, _ = self.room.sides(spoken.from_sample)
        at = found_in(spoken.clip, people[: len(spoken.clip) + 2 * RATE_HZ])
        return (spoken.from_sample + at + len(spoken.clip)) / RATE_HZ

    def silent(self, spoken: Spoken, from_s: float) -> float:
        """When on the room's clock the assistant fell silent, in seconds: where the first silence as long as none
        within a word begins, from `from_s` on."""
        _, voice = self.room.sides(spoken.from_sample)
        loud = np.flatnonzero(np.abs(voice.astype(np.int32)) > VOICE_FROM)
        after = np.append(loud[np.searchsorted(loud, from_s * RATE_HZ - spoken.from_sample) :], len(voice) + RATE_HZ)
        return float(spoken.from_sample + after[np.flatnonzero(np.diff(after) > 0.1 * RATE_HZ)[0]]) / RATE_HZ

    def stop(self) -> None:
        """Ends the program as Ctrl-C does, and waits for it."""
        self.process.send_signal(signal.SIGINT)
        self.process.wait(20)

    def _answer(self, dialogue: Dialogue, state: State, script: Script) -> str:
        step = dialogue.rules.procedure.step(state.step)
        match state.at:
            case Phase.ASKING:
                pass
            case Warned(voiced):
                return "understood" if voiced else ""
            case Confirming(Candidate(value=value)):
                return "yes" if value == self.meant(dialogue, state, script) else "no"
            case Proposing():
                return "no"
            case Phase.REASON:
                return "no access"
            case Telling():
                return "customer refused"
            case Missed() | FollowUp():
                return "no"
            case Holding():
                return "go on"
            case Phase.SHUTTING:
                return "understood"
            case Phase.SHUT:
                return "done"
            case _:
                return "yes"
        if state.hand.correcting:
            return WORDS[state.hand.correcting.quantity]
        if state.hand.untold:
            return "skip"
        before = self._done.get(step.id, 0)
        first = script.first.get(step.id, ())
        if before < len(first):
            self._done[step.id] = before + 1
            return first[before]
        if before == len(first):
            self._done[step.id] = before + 1
            time.sleep(script.late_s.get(step.id, 0.0))
        return answer_to(step, script)

    @staticmethod
    def meant(dialogue: Dialogue, state: State, script: Script) -> Decimal | object:
        """The value that the technician means at a step."""
        asked = dialogue.question(_asking(state))
        step = dialogue.rules.procedure.step(state.step)
        words = WORDS[state.hand.correcting.quantity] if state.hand.correcting else answer_to(step, script)
        meaning = dialogue.language.understand(words, asked)
        assert isinstance(meaning, Reading), meaning
        return meaning.value

    def measure(self) -> None:
        """Finds in the room's sound when each thing said had ended, and when it was answered."""
        people, voice = self.room.sides()
        loud = np.flatnonzero(np.abs(voice.astype(np.int32)) > VOICE_FROM)
        for spoken in self.spoken:
            stretch = people[spoken.from_sample : spoken.from_sample + len(spoken.clip) + 3 * RATE_HZ]
            at = found_in(spoken.clip, stretch)
            end = spoken.from_sample + at + len(spoken.clip)
            spoken.ended_s = end / RATE_HZ
            after = loud[np.searchsorted(loud, end) :]
            if len(after):
                spoken.answered_s = (after[0] + _signal(voice[after[0] :])) / RATE_HZ
            else:
                spoken.answered_s = float("inf")


def answer_to(step: Step, script: Script) -> str:
    """What is said at a step when all goes well."""
    if step.id in script.words:
        return script.words[step.id]
    if step.kind == "do":
        return "done"
    if step.kind == "time":
        return "mark"
    if step.quantity:
        return WORDS.get(step.quantity, "skip")
    return step.good


def _signal(voice: NDArray[np.int16]) -> int:
    """How many samples of a short sound the assistant's words begin with."""
    for name in ("refused", "hazard"):
        model = earcon(name, RATE_HZ).samples.astype(float)
        heard = voice[: len(model)].astype(float)
        if len(heard) < len(model):
            continue
        near = (np.dot(np.roll(heard, shift), model) for shift in range(-32, 33))
        if max(near) > 0.6 * np.linalg.norm(model) * np.linalg.norm(heard):
            return len(model)
    return 0


def _asking(state: State) -> State:
    from dataclasses import replace

    return replace(state, at=Phase.ASKING)


def found_in(clip: NDArray[np.int16], sound: NDArray[np.int16]) -> int:
    """Where a clip begins in sound: the peak of their correlation."""
    size = 1 << (len(clip) + len(sound)).bit_length()
    spectrum = np.fft.rfft(sound, size) * np.conj(np.fft.rfft(clip, size))
    return int(np.argmax(np.fft.irfft(spectrum, size)[: len(sound)]))
