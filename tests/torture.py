"""Kills, flips and fills: what a record must survive. `make torture` runs it whole and prints the counts.

Another number of kills than 500: `python tests/torture.py 60`.

tests/test_torture.py runs a small part. A kill -9 is not a loss of power: what the device does with a synced write
then is beyond this.
"""

from __future__ import annotations

import os
import random
import resource
import signal
import sys
import tempfile
import time
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path

sys.path.extend(str(Path(__file__).parent / folder) for folder in ("", "live", "phone"))

import itertools

import cuts
from doubles import ScriptedPlayer, ScriptedVoice, TestClock
from scripted_ears import Person, open_visit
from scripted_visits import EVENTFUL

from assistant.dialogue.effects import Say
from assistant.dialogue.state import Answer, Phase, Rules, State
from assistant.record import seal
from assistant.record.fold import turns
from assistant.record.record import Record, audio_of, seal_of
from assistant.record.setting import setting_of
from assistant.session.visit import Visit
from assistant.speech.audio import Audio
from assistant.speech.player import Played
from assistant.wording import english as wording


@dataclass
class Kills:
    """What came of the kills. resumed: the visit and the entry of every resume that was looked at."""

    kills: int = 0
    visits: int = 0
    finished: int = 0
    acknowledged: int = 0
    resumed: set[tuple[int, int]] = field(default_factory=set)
    lost: list[str] = field(default_factory=list)
    unsound: list[str] = field(default_factory=list)
    wrong_step: list[str] = field(default_factory=list)


def kill(times: int, seed: int = 20260105) -> Kills:
    """Works scripted visits and kills them `times` times at random moments; each is resumed until it is sealed.

    One run in five is killed while it starts; the others after a random number of sentences and up to 10 ms more, in
    which a turn is decided, written and synced. So the moments are as random on a slow machine.
    """
    moments, count = random.Random(seed), Kills()
    with tempfile.TemporaryDirectory() as name:
        while count.kills < times:
            count.visits += 1
            path = Path(name) / str(count.visits) / "visit.sqlite"
            path.parent.mkdir()
            acknowledged: dict[int, str] = {}
            while not seal_of(path).exists() and count.kills < times:
                sentences = 0 if moments.randrange(5) == 0 else moments.randrange(1, 40)
                _one_run(path, sentences, moments.uniform(0, 0.01 if sentences else 0.05), acknowledged, count)
            count.finished += seal_of(path).exists()
            count.acknowledged += len(acknowledged)
    return count


def _one_run(path: Path, sentences: int, more_s: float, acknowledged: dict[int, str], count: Kills) -> None:
    """One run in a child, killed `more_s` after so many sentences unless it ended before; then a look at the record."""
    reads, writes = os.pipe()
    ticks, tick = os.pipe()
    child = os.fork()  # everything is imported already: a run starts in no time
    if not child:
        os.close(reads)
        os.close(ticks)
        _work(path, writes, tick, seed=count.kills)
        os._exit(0)
    os.close(writes)
    os.close(tick)
    for _ in range(sentences):
        if not os.read(ticks, 1):
            break
    time.sleep(more_s)
    with suppress(ProcessLookupError):
        os.kill(child, signal.SIGKILL)
    _, status = os.waitpid(child, 0)
    os.close(ticks)
    with os.fdopen(reads, encoding="utf-8") as pipe:
        text = pipe.read()
    if os.WIFSIGNALED(status):
        count.kills += 1
    elif os.WEXITSTATUS(status):
        count.unsound.append(f"visit {count.visits}: the run failed")
    for line in text.splitlines(keepends=True):
        if line.endswith("\n"):  # else it was cut off by the kill: not acknowledged
            seq, digest = line.split()
            acknowledged[int(seq)] = digest
    _look(path, acknowledged, count)


def _work(path: Path, writes: int, tick: int, seed: int) -> None:
    """In the child: goes on with the visit; a reading is acknowledged when its read-back begins to play."""
    told = 0

    class Telling(ScriptedPlayer):
        def play(self, audio: Audio) -> Played:
            nonlocal told
            for entry in visit.record.entries() if visit else ():
                if entry.seq > told and entry.kind == "reading":
                    os.write(writes, f"{entry.seq} {entry.hash}\n".encode())
                told = max(told, entry.seq)
            self.played.clear()
            os.write(tick, b".")
            return super().play(audio)

    visit: Visit | None = None
    if path.exists() and not _began(path):
        path.unlink()  # stopped before it began: a new visit is started, as a person would
    visit = open_visit(path, Person(EVENTFUL, odd_in=5, seed=seed), player=Telling())
    if visit.run():
        seal.seal(visit.record)
    visit.record.close()


def _began(path: Path) -> bool:
    with suppress(Exception), Record.open(path, read_only=True) as record:
        return any(True for _ in record.entries())
    return False


def _look(path: Path, acknowledged: dict[int, str], count: Kills) -> None:
    """Holds the record against what was acknowledged, and folds it."""
    name = f"visit {count.visits}, kill {count.kills}"
    if not path.exists() or not _began(path):
        count.lost += [f"{name}: entry {seq}" for seq in acknowledged]
        return
    with Record.open(path, read_only=True) as record:
        hashes = {entry.seq: entry.hash for entry in record.entries()}
        problems = record.verify()
        folded = list(turns(record))
        rules = setting_of(record).rules
    count.lost += [f"{name}: entry {seq}" for seq, digest in acknowledged.items() if hashes.get(seq) != digest]
    count.unsound += [f"{name}: {problem}" for problem in problems]
    if not all(turn.same for turn in folded):
        count.unsound.append(f"{name}: decided otherwise")
    # Recordings may be left over from the moment of the kill, but every one that is named is there.
    found = seal.check(path).problems
    count.unsound += [f"{name}: {problem}" for problem in found if "was added" not in problem or seal_of(path).exists()]
    for before, after in itertools.pairwise(folded):
        at = (count.visits, after.entry.seq)
        if after.entry.kind != "opened" or at in count.resumed:
            continue
        count.resumed.add(at)
        said = " ".join(effect.text for effect in after.effects if isinstance(effect, Say))
        if pending(before.after, rules) not in said:
            count.wrong_step.append(f"{name}: entry {after.entry.seq} says {said!r}")


def pending(state: State, rules: Rules) -> str:
    """What a visit that is resumed in this state has to ask again."""
    step = rules.procedure.step(state.step)
    match state.phase:
        case Phase.CONFIRMING:
            return "Is that right?"
        case Phase.WARNING:
            return wording.sentences(rules.hazards[step.hazards[0]].say)[0].strip()
        case Phase.EMERGENCY:
            return wording.STAY_OUT
        case Phase.ASKING if isinstance(state.hand.correcting, Answer):
            return wording.sentences(rules.procedure.step(state.hand.correcting.step).say)[-1].strip()
        case Phase.ASKING if state.hand.correcting:
            return "again."
        case Phase.ASKING if state.hand.untold:  # of the run's times this one is asked in seconds
            return f"{wording.capital(rules.quantities[state.hand.untold[0]].spoken)} was not timed."
        case Phase.ASKING:
            return wording.sentences(step.say)[-1].strip()
        case Phase.TIMED:
            return "Is that right?"
        case Phase.CLOSED:
            return ""  # it is over: nothing is asked
    return wording.waits_for(state.at, state.site, rules)


@dataclass
class Flips:
    """How many one-byte flips were made in which file, and which were not found."""

    made: dict[str, int] = field(default_factory=dict)
    missed: list[str] = field(default_factory=list)


def flip(every: int = 1, sayings: int = 6) -> Flips:
    """Flips each `every`-th byte of a sealed record, its seal and its recordings in turn, and checks each time.

    The visit is closed early, so that the files are small; the bit that is flipped changes from byte to byte.
    """
    count = Flips()
    with tempfile.TemporaryDirectory() as name:
        path = Path(name) / "visit.sqlite"
        visit = open_visit(path, Person(most=sayings), clock=TestClock())
        visit.run()
        visit.record.append([("closed", {}), ("end", {})])
        seal.seal(visit.record)
        visit.record.close()
        assert seal.check(path).problems == []
        for file in (path, seal_of(path), *sorted(audio_of(path).iterdir())):
            content = file.read_bytes()
            count.made[file.name] = 0
            with file.open("r+b", buffering=0) as open_file:
                for at in range(count.made[file.name], len(content), every):
                    _put(open_file, at, content[at] ^ (1 << at % 8))
                    count.made[file.name] += 1
                    if not seal.check(path).problems:
                        count.missed.append(f"{file.name}, byte {at}")
                    _put(open_file, at, content[at])
        assert seal.check(path).problems == []
    return count


def _put(file: object, at: int, value: int) -> None:
    file.seek(at)  # type: ignore[attr-defined]
    file.write(bytes([value]))  # type: ignore[attr-defined]


@dataclass
class Full:
    """What came of full disks."""

    times: int = 0
    told: int = 0
    lost: list[str] = field(default_factory=list)
    not_finished: int = 0


def fill(times: int, seed: int = 5) -> Full:
    """Works visits in which the disk is full at a random moment, then has room again.

    By turns SQLite's page limit and a limit on the size of a file (which also stops recordings).
    """
    count, chance = Full(), random.Random(seed)
    for number in range(times):
        with tempfile.TemporaryDirectory() as name:
            _fill_once(Path(name) / "visit.sqlite", chance.randrange(3, 60), number % 2 == 0, count)
    return count


def _fill_once(path: Path, moment: int, pages: bool, count: Full) -> None:
    person = Person(EVENTFUL)
    heard: list[str] = []
    unlimited = resource.getrlimit(resource.RLIMIT_FSIZE)
    state = {"full": False, "was": False}

    class Voice:
        def render(self, text: str, rate_wpm: int = 165) -> Audio:
            heard.append(text)
            return ScriptedVoice().render(text)

    def say() -> str | float | None:
        if person.said >= moment and not state["was"]:
            state["was"] = state["full"] = True
            if pages:
                (now,) = visit.record._connection.execute("PRAGMA page_count").fetchone()
                visit.record._connection.execute(f"PRAGMA max_page_count = {now}")
            else:
                resource.setrlimit(resource.RLIMIT_FSIZE, (0, unlimited[1]))
        return person()

    def make_room(_: float) -> None:
        state["waited"] = True
        visit.record._connection.execute("PRAGMA max_page_count = 1000000")
        resource.setrlimit(resource.RLIMIT_FSIZE, unlimited)

    player = ScriptedPlayer()
    visit = open_visit(path, say, player=player, voice=Voice(), sleep=make_room)
    person.visit = visit
    try:
        closed = visit.run()
        count.times += 1
        count.told += (
            bool(state.get("waited")) and wording.ROOM_AGAIN in heard and all(text in heard for text in wording.NO_ROOM)
        )
        count.not_finished += not closed
        readings = [taken.words for taken in visit.state.readings]
        with Record.open(path, read_only=True) as record:
            kept = [entry.body["words"] for entry in record.entries() if entry.kind == "reading"]
            problems = record.verify()
        if kept != readings or problems:
            count.lost.append(f"{path}: {readings} {kept} {problems}")
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, unlimited)
        visit.record.close()


def main(kills: int) -> None:
    """Prints the counts; exit status 1 when something was lost or missed."""
    began = time.monotonic()
    killed = kill(kills)
    print(
        f"kill -9: {killed.kills} in {killed.visits} visits ({killed.finished} came to their end and were sealed); "
        f"{killed.acknowledged} readings acknowledged, {len(killed.lost)} lost, {len(killed.unsound)} records unsound, "
        f"{len(killed.wrong_step)} of {len(killed.resumed)} resumed at a wrong step."
    )
    flipped = flip()
    print(
        f"one-byte flips: {sum(flipped.made.values())} ({', '.join(f'{n} {c}' for n, c in flipped.made.items())}); "
        f"{len(flipped.missed)} not found."
    )
    filled = fill(20)
    print(
        f"full disk: {filled.times} visits, told aloud in {filled.told}, {len(filled.lost)} lost something, "
        f"{filled.not_finished} did not come to their end."
    )
    cut = cuts.cut(100)
    print(
        f"a phone's socket cut: {cut.cuts} times in {cut.visits} visits; {cut.acknowledged} readings acknowledged, "
        f"{len(cut.lost)} lost; {len(cut.from_before)} of {cut.said} answers from before a cut taken after it; "
        f"{len(cut.unsound)} records unsound."
    )
    print(f"{time.monotonic() - began:.0f} s.")
    wrong = [
        *killed.lost,
        *killed.unsound,
        *killed.wrong_step,
        *flipped.missed,
        *filled.lost,
        *cut.lost,
        *cut.from_before,
        *cut.unsound,
    ]
    for line in wrong[:20]:
        print(line)
    sys.exit(bool(wrong) or filled.told != filled.times or filled.not_finished > 0)


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 500)
