"""Figures of a visit by phone: `make bench-phone`. They are printed, never asserted.

phone.py [--only NAME...] [--until STEP] [--speech FOLDER]

The parts, with what they take on two cores: latency (4 networks, a minute and a half each), card (the same at the sound
card, three minutes), processed (ten minutes: what the browser's own processing does to hearing a person's readings).
"""

from __future__ import annotations

import argparse
import asyncio
import itertools
import os
import random
import sys
import tempfile
import threading
import time
from contextlib import ExitStack
from dataclasses import dataclass
from pathlib import Path

import numpy as np

HERE = Path(__file__).parent
sys.path[:0] = [str(HERE.parent), str(HERE.parent / "live"), str(HERE.parent / "phone")]

from client import Phone  # noqa: E402
from desk import Desk, free_port  # noqa: E402
from hearing import active_power, expected, make_noise, mean_power, people  # noqa: E402
from live import latency as card_latency  # noqa: E402
from live import spread  # noqa: E402
from pocket import PhoneVisit, Pocket  # noqa: E402
from rapidfuzz.distance import Levenshtein  # noqa: E402
from recorded import real_job  # noqa: E402
from technician import RATE_HZ, TURN_S, Clips, Script, _signal, answer_to  # noqa: E402

from assistant.dialogue.state import Confirming, Warned  # noqa: E402
from assistant.files import library  # noqa: E402
from assistant.language.phrases import Expected  # noqa: E402
from assistant.phone.line import PhoneMicrophone  # noqa: E402
from assistant.phone.server import serving  # noqa: E402
from assistant.record.fold import turns  # noqa: E402
from assistant.record.record import Record  # noqa: E402
from assistant.record.setting import setting_of  # noqa: E402
from assistant.speech.audio import Audio, read_audio, resample  # noqa: E402
from assistant.speech.ears import hear_whole  # noqa: E402
from assistant.speech.recognizer import Recognizer, recognizer_in_use  # noqa: E402

HELD_S = 0.2  # what a lost segment holds up all that follow it: the least time Linux waits before it sends it again
NETWORKS = {"loopback": (0.0, 0.0), "80 ms more": (0.08, 0.0), "200 ms more": (0.2, 0.0), "1 % lost": (0.0, 0.01)}
"""Round trip added, and the share of segments lost."""
SPEECH = HERE.parents[2] / "shared" / "speech"
PROCESSING = ("echoCancellation", "noiseSuppression", "autoGainControl")
SNR_DB, LEVEL = 10, 1600  # of speech over the blower; root mean square of int16's full scale, -26 dB
SETTLE_S, PAUSE_S = 5, 1  # of noise before the first, and between two
AROUND_S = 0.5  # of the noise, that is heard with a reading


class Network:
    """A proxy in front of a port that is slow and loses segments, each of which TCP sends again; counts bytes."""

    def __init__(self, to: int, round_trip_s: float, lost: float) -> None:
        self.port, self.bytes = free_port(), 0
        self._to, self._way_s, self._lost = to, round_trip_s / 2, lost
        self._chance = random.Random(1)
        self._loop = asyncio.new_event_loop()
        threading.Thread(target=self._loop.run_forever, daemon=True).start()
        serve = asyncio.start_server(self._joined, "127.0.0.1", self.port)
        asyncio.run_coroutine_threadsafe(serve, self._loop).result()

    async def _joined(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        there = await asyncio.open_connection("127.0.0.1", self._to)
        await asyncio.gather(self._carry(reader, there[1]), self._carry(there[0], writer))

    async def _carry(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        waiting: asyncio.Queue[tuple[float, bytes]] = asyncio.Queue()

        async def arrive() -> None:
            while True:
                at, data = await waiting.get()
                await asyncio.sleep(max(0.0, at - self._loop.time()))
                writer.write(data)
                if not data:
                    writer.close()
                    return

        arriving = self._loop.create_task(arrive())
        free = 0.0  # nothing overtakes what was lost and is sent again
        while True:
            data = await reader.read(1448)
            self.bytes += len(data)
            free = max(free, self._loop.time() + self._way_s)
            if self._chance.random() < self._lost:
                free += HELD_S + 2 * self._way_s
            waiting.put_nowait((free, data))
            if not data:
                break
        await arriving


class Heard(Phone):
    """A phone that keeps what it is told to play, and when it came."""

    def __init__(self, *of: object, **more: object) -> None:
        self.sounds: dict[int, list[bytes]] = {}
        self.came_s: dict[int, float] = {}
        super().__init__(*of, **more)  # type: ignore[arg-type]

    def piece(self, number: int, data: bytes) -> None:
        """A part of a sound."""
        self.came_s.setdefault(number, time.monotonic())
        self.sounds.setdefault(number, []).append(data)

    def answered_s(self, after: int, from_s: float) -> float | None:
        """When the first words of an answer sounded, by the monotonic clock; after: the last sound before them."""
        for number in sorted(self.sounds):
            voice = np.frombuffer(b"".join(self.sounds[number]), np.int16)
            if number > after and len(voice) > 0.3 * RATE_HZ and self.came_s[number] > from_s - 0.5:
                return self.came_s[number] + _signal(voice) / RATE_HZ
        return None


def visiting(folder: str, options: list[str]) -> PhoneVisit:
    """A visit with the brief talk."""
    return PhoneVisit(None, real_job("hot-surface-brief", Path(folder)), Path(folder), *options)


def latency(name: str, until: str) -> None:
    """From the end of speech to the first sound of speech of the answer, both on the phone's side."""
    port = free_port()
    network = Network(port, *NETWORKS[name])
    kinds: dict[bool, list[float]] = {True: [], False: []}
    options = ["--phone-address", "localhost", "--phone-port", str(port)]
    with tempfile.TemporaryDirectory() as folder, visiting(folder, options) as visit:
        (address,) = visit.addresses()
        clips = Clips(Path(folder) / "clips")
        origin, code = address.split("/#")
        phone = Heard(origin, code, address=f"http://localhost:{network.port}")
        began_s, spent_s = time.monotonic(), processor_s(visit.process.pid)
        bytes_before = network.bytes
        while True:
            wait_for_turn(phone)
            with Record.open(visit.record, read_only=True) as record:
                dialogue = setting_of(record).dialogue()
                *_, last = turns(record)
            state = last.after
            if state.step == until:
                break
            words = {Warned: "understood", Confirming: "yes"}.get(type(state.at)) or answer_to(
                dialogue.rules.procedure.step(state.step), Script()
            )
            clip, after = clips[words], max(phone.sounds, default=0)
            begins = phone.say(clip)
            ended_s = phone.at_s(begins + len(clip))
            grown = dialogue.language.can_grow(words, dialogue.question(state))
            while time.monotonic() < ended_s + 5.0 and phone.answered_s(after, ended_s) is None:
                time.sleep(0.01)
            if at_s := phone.answered_s(after, ended_s):
                kinds[grown is not False].append(at_s - ended_s)
        minutes = (time.monotonic() - began_s) / 60
        spent = (processor_s(visit.process.pid) - spent_s) / 60 / minutes
        phone.cut()
        clips.close()
        visit.stop()
    spread(f"{name}: answer, words that cannot grow", kinds[False])
    spread(f"{name}: answer, words that can grow", kinds[True])
    print(f"{name}: {(network.bytes - bytes_before) / minutes / 1e6:.2f} MB a minute, {100 * spent:.0f} % of a core")


def wait_for_turn(phone: Heard) -> None:
    """Waits until the assistant has spoken, and as long as a person does before taking the turn."""
    quiet_s = time.monotonic()
    while time.monotonic() - quiet_s < TURN_S or not phone.sounds:
        if phone.speaks:
            quiet_s = time.monotonic()
        time.sleep(0.01)


def processor_s(pid: int) -> float:
    """Seconds of processor that a process has taken."""
    spent = Path(f"/proc/{pid}/stat").read_text().rsplit(")", 1)[1].split()
    return (int(spent[11]) + int(spent[12])) / os.sysconf("SC_CLK_TCK")


@dataclass(frozen=True)
class Answer:
    """A recording in the track: what is said in it, the question that it answers, and its samples there."""

    text: str
    at: Expected
    begin: int
    end: int


def track(speech: Path) -> tuple[np.ndarray, list[Answer]]:
    """One person's readings, each as loud as the others, in one blower's noise that does not pause."""
    answers: list[Answer] = []
    parts, length = [np.zeros(SETTLE_S * RATE_HZ)], SETTLE_S * RATE_HZ
    for clip in (clip for clip in people(speech) if clip.part == "joined readings"):
        sound = resample(read_audio(clip.path), RATE_HZ).samples.astype(np.float64)
        sound *= LEVEL / np.sqrt(active_power(sound))
        answers.append(Answer(clip.text, expected(clip.question), length, length + len(sound)))
        parts += [sound, np.zeros(PAUSE_S * RATE_HZ)]
        length += len(sound) + PAUSE_S * RATE_HZ
    noise = make_noise("blower", length, np.random.default_rng(7))
    sound = np.concatenate(parts) + noise * LEVEL * 10 ** (-SNR_DB / 20)
    return np.clip(sound, -32768, 32767).astype(np.int16), answers


def told(what: str, sound: np.ndarray, answers: list[Answer], recognizer: Recognizer) -> None:
    """Prints how many of the readings, and of their words, were heard right in the sound; and its levels."""
    language = library().language
    readings = words = wrong = 0
    for answer in answers:
        around = round(AROUND_S * RATE_HZ)
        part = Audio(sound[answer.begin - around : answer.end + around], RATE_HZ)
        heard = hear_whole(recognizer, part, answer.at)[0].text
        meant = language.understand(answer.text, answer.at.question)
        readings += language.understand(heard, answer.at.question) == meant
        words += len(answer.text.split())
        wrong += Levenshtein.distance(heard.split(), answer.text.split())
    spoken, paused = (
        np.concatenate([sound[begin:end] for begin, end in spans])
        for spans in (
            [(answer.begin, answer.end) for answer in answers],
            [(before.end + RATE_HZ // 4, after.begin - RATE_HZ // 4) for before, after in itertools.pairwise(answers)],
        )
    )
    levels = " and ".join(f"{10 * np.log10(mean_power(each / 32768.0)):.1f}" for each in (spoken, paused))
    print(
        f"{what}: {readings} of {len(answers)} readings right, {1 - wrong / words:.1%} of {words} words; "
        f"speech and noise at {levels} dB of full scale",
        flush=True,
    )


def processed(speech: Path) -> None:
    """What the browser's own processing of sound does to hearing: the same track through the page, with each part of it
    asked on, at the same time. Nothing is played meanwhile: the visit does not listen while it speaks."""
    from playwright.sync_api import sync_playwright

    sound, answers = track(speech)
    recognizer = recognizer_in_use(library().grammar)
    told("not through a browser", sound, answers, recognizer)
    with tempfile.TemporaryDirectory() as folder, ExitStack() as stack:
        pocket = stack.enter_context(Pocket(stack.enter_context(sync_playwright()), Path(folder)))
        captured: list[tuple[str, PhoneMicrophone, list[np.ndarray]]] = []
        ended = threading.Event()

        def drain() -> None:
            while not ended.wait(0.05):
                for _, microphone, blocks in captured:
                    while (block := microphone.take(0.0)) is not None:
                        blocks.append(block)

        draining = threading.Thread(target=drain, daemon=True)
        draining.start()
        kinds = ((), *((name,) for name in PROCESSING), PROCESSING)
        pages = [pocket.page, *(pocket.new_page() for _ in kinds[1:])]
        for page, asked in zip(pages, kinds, strict=True):
            desk = Desk(Path(folder))
            stack.enter_context(serving(desk.server, desk.place))
            page.goto(f"{desk.place.origin}/?processed={','.join(asked)}#{desk.lines[0].code}")
            page.click("#start")
            while not desk.route.recover():
                page.wait_for_timeout(50)
            says = desk.route.facts["microphone"]["processed"]
            on = ", ".join(name for name in says if says[name])
            what = f"asked on: {', '.join(asked) or 'none'} (the browser says {on or 'none'})"
            captured.append((what, desk.route.microphone, []))
        saying = pocket.say(sound)
        for page in pages[1:]:
            page.evaluate("unplug()")
        saying.wait()
        time.sleep(2.0)
        ended.set()
        draining.join()
    for what, microphone, blocks in captured:
        got = np.concatenate(blocks)
        missing = f", {sum(microphone.missing_s):.2f} s missing" if microphone.missing_s else ""
        told(what + missing, got[_later(got, sound) :], answers, recognizer)


def _later(sound: np.ndarray, than: np.ndarray) -> int:
    """By how many samples a sound is later than another that it holds."""
    size = 1 << (len(sound) + len(than)).bit_length()
    fits = np.fft.irfft(np.fft.rfft(sound, size) * np.conj(np.fft.rfft(than, size)), size)
    return int(np.argmax(fits[: len(sound)]))


def main() -> None:
    """Runs the parts."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--only", nargs="+", choices=["latency", "card", "processed"])
    parser.add_argument("--until", default="igniter-cold", help="the step at which the visits for the latency end")
    parser.add_argument(
        "--speech", type=Path, default=HERE.parents[2] / "shared" / "speech", help="recordings of people"
    )
    given = parser.parse_args()
    print(f"load {os.getloadavg()[0]:.1f} on {os.cpu_count()} cores", flush=True)
    wanted = given.only or ["latency", "card", "processed"]
    if "latency" in wanted:
        for name in NETWORKS:
            latency(name, given.until)
    if "card" in wanted:
        print("sound card:")
        card_latency(given.until)
    if "processed" in wanted:
        processed(given.speech)
    print(f"load {os.getloadavg()[0]:.1f}")


if __name__ == "__main__":
    main()
