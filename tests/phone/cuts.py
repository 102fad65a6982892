"""Cuts a phone's socket at random moments of visits that are worked by real recognition, and looks at what was lost.

What a phone says carries the number of its connection as a faint tone, so that each recording tells by which connection
its sound came.
"""

from __future__ import annotations

import random
import tempfile
import threading
import time
from contextlib import ExitStack, suppress
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
from client import Phone
from desk import Desk
from doubles import ScriptedVoice
from scripted_visits import answer
from technician import Clips

from assistant.files import library, read_job, top_folder
from assistant.phone.server import serving
from assistant.record.fold import turns
from assistant.record.record import Record, audio_of
from assistant.record.setting import Setting
from assistant.session.edges import Edges
from assistant.session.visit import Visit
from assistant.speech.audio import Audio, read_audio
from assistant.speech.ears import Ears
from assistant.speech.player import Played
from assistant.speech.recognizer import recognizer_in_use

JOB = top_folder("audio_fixtures") / "visits" / "hot-surface-brief.job.yaml"
BEGINS_S = 4.0
PILOTS_HZ = [4000.0 + 300 * n for n in range(7)]  # by connection, counted round


@dataclass
class Cuts:
    """What came of the cuts."""

    cuts: int = 0
    visits: int = 0
    said: int = 0
    acknowledged: int = 0
    lost: list[str] = field(default_factory=list)
    from_before: list[str] = field(default_factory=list)
    unsound: list[str] = field(default_factory=list)


class _Over(BaseException):
    """Ends a visit from outside."""


def cut(times: int, seed: int = 20260105) -> Cuts:
    """Works visits by phone and cuts its socket `times` times, 0.3 to 5 s after it was there; the first time of a visit
    when it has begun."""
    count, moments = Cuts(), random.Random(seed)
    with tempfile.TemporaryDirectory() as name:
        clips = Clips(Path(name) / "clips")
        while count.cuts < times:
            count.visits += 1
            folder = Path(name) / str(count.visits)
            folder.mkdir()
            _one_visit(folder, times, moments, clips, count)
        clips.close()
    return count


def _one_visit(folder: Path, times: int, moments: random.Random, clips: Clips, count: Cuts) -> None:
    path, desk = folder / "visit.sqlite", Desk(folder)
    setting = Setting(library().rules_for(read_job(JOB)), library().grammar_texts, "cut", "cut")
    told, acknowledged, connections = 0, dict[int, str](), list[list[float]]()
    over = threading.Event()

    class Telling:
        """The phone's loudspeaker: a reading is acknowledged when its read-back begins to play."""

        def play(self, audio: Audio) -> Played:
            nonlocal told
            if over.is_set():
                raise _Over
            for entry in record.entries(after=told):
                told = entry.seq
                if entry.kind == "reading":
                    acknowledged[entry.seq] = entry.hash
            return desk.route.player.play(audio)

        def stop(self) -> None:
            desk.route.player.stop()

    with ExitStack() as stack:
        record = stack.enter_context(Record.create(path))
        record.append([("visit", setting.to_body())])
        stack.enter_context(serving(desk.server, desk.place))
        recognizer = recognizer_in_use(library().grammar)
        ears = Ears(recognizer, desk.route.microphone, tail_s=0.05)
        edges = Edges(ears, ScriptedVoice(), Telling(), lambda *_: None, 5.0, desk.route, can_interrupt=True)
        visit = Visit(record, edges)

        def person() -> None:
            """Holds the phone, cuts it off, comes back, and answers whatever is asked."""
            key = ""
            while count.cuts < times and not over.is_set():
                pilot_hz = PILOTS_HZ[len(connections) % len(PILOTS_HZ)]
                phone = Phone(desk.place.origin, desk.lines[0].code or "", key, speed=20.0, pilot_hz=pilot_hz)
                connections.append([time.time(), float("inf")])
                until = time.monotonic() + moments.uniform(0.3, 5.0) + (0 if key else BEGINS_S)
                while time.monotonic() < until and not over.is_set():
                    if phone.silent() and not phone.speaks and phone.frame - phone.quiet_at > 0.6 * phone.rate_hz:
                        phone.quiet_at = phone.frame + 16_000  # an answer is waited for
                        phone.say(clips[answer(visit.dialogue, visit.state, {})])
                    time.sleep(0.02)
                key = phone.key
                phone.cut()
                connections[-1][1] = time.time()
                count.cuts += 1
                time.sleep(moments.uniform(0.0, 0.6))
            over.set()

        holding = threading.Thread(target=person)
        holding.start()
        while not desk.route.recover():
            time.sleep(0.02)
        # Whoever waits for a phone that does not come back is ended, too.
        recover = desk.route.recover
        desk.route.recover = lambda: _ended(over) or recover()  # type: ignore[method-assign]
        with suppress(_Over):
            visit.run()
        over.set()
        holding.join()
    _look(path, connections, acknowledged, count)


def _ended(over: threading.Event) -> bool:
    if over.is_set():
        raise _Over
    return False


def _look(path: Path, connections: list[list[float]], acknowledged: dict[int, str], count: Cuts) -> None:
    """Holds the record against what was acknowledged, and each answer against the connection that it came by."""
    with Record.open(path, read_only=True) as record:
        entries = list(record.entries())
        count.unsound += [f"visit {count.visits}: {problem}" for problem in record.verify()]
        if not all(turn.same for turn in turns(record)):
            count.unsound.append(f"visit {count.visits}: decided otherwise")
    hashes = {entry.seq: entry.hash for entry in entries}
    count.lost += [
        f"visit {count.visits}: entry {seq}" for seq, made in acknowledged.items() if hashes.get(seq) != made
    ]
    count.acknowledged += len(acknowledged)
    back_s, before, back = 0.0, 0, True
    for entry in entries:
        at_s = datetime.fromisoformat(entry.utc).astimezone(UTC).timestamp()
        if entry.kind == "device" and entry.body["what"] == "devices back":
            back_s, back = at_s, True
        if entry.kind != "said" or not entry.body["audio"]:
            continue
        count.said += 1
        name = f"visit {count.visits}: entry {entry.seq}, {entry.body['heard']['text']!r}"
        sound = read_audio(audio_of(path) / entry.body["audio"]).samples
        came_by, *others = {_pilot(part) for part in np.array_split(sound, 2)}
        (*_, number) = (
            n for n, (began, _) in enumerate(connections) if n % len(PILOTS_HZ) == came_by and began <= at_s
        )
        if connections[number][1] < back_s or others:
            count.from_before.append(name)
        if number > before and not back:
            count.unsound.append(f"{name}: a cut before it was not noticed")
        before, back = number, False


def _pilot(sound: np.ndarray) -> int:
    """The number of the tone in a sound."""
    at = np.arange(len(sound)) * 2j * np.pi / 16_000
    return int(np.argmax([abs(np.dot(sound, np.exp(at * hz))) for hz in PILOTS_HZ]))
