"""A whole run of a visit: what it needs is opened, the visit is begun or taken up again, worked, and sealed."""

from __future__ import annotations

import time
from collections.abc import Callable, Sequence
from contextlib import ExitStack
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, Literal, Protocol

from assistant.dialogue.effects import Effect, says_of
from assistant.dialogue.events import Event, Opened, Said
from assistant.dialogue.setting_up import SettingUp, SetUp
from assistant.errors import Problem
from assistant.files import library
from assistant.places import voice_cache
from assistant.record import folder as visits
from assistant.record.again import again
from assistant.record.earlier import history, pace_for
from assistant.record.entries import InPlaceOf
from assistant.record.record import Record, audio_of, utc_now
from assistant.record.seal import seal
from assistant.record.setting import Setting, setting_of
from assistant.session.edges import QUIET_S, Edges
from assistant.session.keeping import LEFT, InMemory
from assistant.session.loop import Loop
from assistant.session.now import Now
from assistant.session.visit import Visit
from assistant.speech.audio import VisitTrack
from assistant.speech.devices import MicrophoneLost
from assistant.speech.ears import Ears
from assistant.speech.player import TrackPlayer
from assistant.speech.recognizer import Recognizer, recognizer_in_use
from assistant.speech.route import OpenRoute, Route, sound_card
from assistant.speech.sources import FileSource
from assistant.speech.voice import Engine, Voice
from assistant.trade.job import Job

TAIL_S = 0.3  # of the own voice in a room; SPEECH 2.4 takes it as the start before it is measured
NARROW = "This microphone gives 8000 samples a second, as a telephone: words are heard worse. Use a wired headset."
KEPT = "Everything said so far is in the record"


@dataclass(frozen=True)
class Live:
    """How a visit by microphone sounds and is heard, as in the options of the command."""

    open: OpenRoute = sound_card
    quiet_s: float = QUIET_S
    tail_s: float = TAIL_S
    headset: bool = False
    lodge: Callable[[Record], None] | None = None  # is given the record after each turn, and does not wait


LIVE = Live()


@dataclass(frozen=True)
class Begin:
    """A new visit."""

    job: dict[str, Any]  # what its job file says
    ask: bool = False  # the rest is set up by voice
    record: Path | None = None  # no folder of its own, and compared with no earlier visit
    in_place_of: InPlaceOf | None = None  # an unfinished visit that cannot be gone on with


class Screen(Protocol):
    """Where a run can be followed. Nothing that it shows changes the visit."""

    def tell(self, text: str, kind: Literal["fact", "said", "warning"] = "fact") -> None:
        """Shows a line beside the turns; said: the assistant says it."""

    def resumed(self, record: Record) -> None:
        """Shows what the record of a visit that is taken up again holds."""

    def turn(self, event: Event, effects: Sequence[Effect]) -> None:
        """Shows a turn, after it is in the record."""

    def over(self, record: Record, closed: bool) -> None:
        """Shows the end of the run. closed: the visit came to its end, and its record is sealed."""


def work(
    begun: Path | Begin,
    folder: Path,
    recordings: Sequence[Path],
    voice: Engine,
    screen: Screen,
    live: Live = LIVE,
    wait: bool = False,
) -> None:
    """Works a visit, new or (by the path of its record) taken up again.

    folder: where visits lie. recordings: heard instead of the microphone. wait: for the spoken start. Raises Problem;
    KeyboardInterrupt with a note that says what became of the visit.
    """
    if isinstance(begun, Path) and (instead := again(begun)):
        its_job, old = instead
        screen.tell(
            f"The visit {begun} cannot go on: {old.why}. A new one of the same job begins at arrival.", "warning"
        )
        begun = Begin(its_job.model_dump(mode="json"), in_place_of=old)
    if isinstance(begun, Begin) and not begun.ask:
        library().rules_for(Job.model_validate(begun.job))  # a job that has no procedure is told before anything
    recognizer = recognizer_in_use(library().grammar)
    record, closed = None, False
    now, track = Now(folder), VisitTrack(recognizer.rate_hz)
    try:
        with ExitStack() as stack:
            files, from_s = list(recordings), 0.0
            if isinstance(begun, Path):
                record = stack.enter_context(Record.open(begun))
                screen.resumed(record)
                if not files:
                    files, from_s = visits.rest_of(record)
            # The sound is opened before a record is begun: without it there is no visit.
            route = None if files else live.open(recognizer.rate_hz, stack)
            ears = _open_ears(recognizer, route or FileSource(files, recognizer.rate_hz, from_s, track), from_s, live)
            ears.took = now.listening
            screen.tell(f"Heard by {recognizer.name}.")
            speaks = stack.enter_context(Voice(voice_cache(), voice))
            player = route.player if route else TrackPlayer(track)
            edges = Edges(ears, speaks, player, screen.turn, live.quiet_s, route, speaking=now.speaking)
            if route:
                edges = replace(edges, can_interrupt=True, sleep=time.sleep, headset=live.headset)
            kept = InMemory()
            if record:
                before(edges, kept, screen, wait)
                go_on(record, kept)
            else:
                assert isinstance(begun, Begin)
                job = before(edges, kept, screen, wait, begun)
                record = stack.enter_context(begin(begun, job, folder, kept, recognizer.name, voice, files))
            now.record = str(record.path.resolve())
            screen.tell(f"Record: {record.path}")
            try:
                closed = _worked(record, edges, screen, live.lodge)
            finally:
                now.over()
                if track.seconds:
                    track.write(record.path.parent / "visit.flac")
            if closed:
                seal(record)
            screen.over(record, closed)
    except KeyboardInterrupt as stopped:
        stopped.add_note(
            LEFT if record is None else KEPT if closed else f"{KEPT}; go on with: {visits.resume_command(folder)}"
        )
        raise


def _worked(record: Record, edges: Edges, screen: Screen, lodge: Callable[[Record], None] | None) -> bool:
    """Works the visit; whether it came to its end."""

    def show(event: Event, effects: Sequence[Effect]) -> None:
        screen.turn(event, effects)
        if lodge:
            lodge(record)

    visit = Visit(record, replace(edges, show=show))
    if route := visit.edges.route:
        visit.device("opened", **route.facts, headset=visit.edges.headset)
        if route.microphone.is_narrow:
            screen.tell(NARROW, "warning")
    try:
        return visit.run()
    except MicrophoneLost as lost:
        visit.device("microphone lost", problem=str(lost))
        again = visits.resume_command(visit.record.path.parent.parent)
        raise Problem(f"{str(lost).rstrip('.')}, then go on with: {again}") from lost


def before(edges: Edges, kept: InMemory, screen: Screen, wait: bool, begun: Begin | None = None) -> dict[str, Any]:
    """What comes before the visit: waits for the spoken start, and asks for what is not known; the job of the visit.

    begun: None where the visit is taken up again. Raises Problem where the sound ends before that.
    """

    def show(event: Event, effects: Sequence[Effect]) -> None:
        if isinstance(event, Opened):
            screen.tell(" ".join(say.text for say in says_of(effects)), "said")
        elif isinstance(event, Said) and effects:
            screen.turn(event, effects)

    shelf = library()
    job = begun.job if begun else {}
    state = SettingUp(job, waits=wait, asks=begun is not None and begun.ask)
    dialogue = SetUp(shelf.language, shelf.quantities, shelf.set_up, shelf.worked)
    if dialogue.over(state):
        return job
    loop = Loop(dialogue, state, replace(edges, show=show, signals=False), kept)
    try:
        if not loop.work(Opened()):
            raise Problem(f"The recording ended before the visit began. {LEFT}")
    except MicrophoneLost as lost:
        raise Problem(f"{str(lost).rstrip('.')}. {LEFT}") from lost
    return dialogue.job(loop.state, utc_now()[:16].replace("T", " ")) if state.asks else job


def go_on(record: Record, kept: InMemory) -> None:
    """Takes a visit up again: what was kept while it waited, emergencies, goes into its record."""
    if kept.answers:
        record.append(kept.entries(audio_of(record.path), setting_of(record).grammar_sha256))


def begin(
    begun: Begin,
    job: dict[str, Any],
    folder: Path,
    kept: InMemory,
    engine: str,
    voice: Engine,
    files: Sequence[Path],
) -> Record:
    """Begins the record of a new visit: its rules, and what was answered in its set-up, in one transaction."""
    now = utc_now()
    done = Job.model_validate(job)
    done = done.model_copy(update={"pace": pace_for(folder, done)})
    rules = library().rules_for(done, None if begun.record else history(folder, done, now))
    origin = tuple(str(file.resolve()) for file in files)
    setting = Setting(rules, library().grammar_texts, engine, voice, origin, begun.in_place_of)
    record = Record.create(begun.record or visits.new_record_path(folder, now, done.site))
    try:
        answers = kept.entries(audio_of(record.path), setting.grammar_sha256)
        record.append([("visit", setting.to_body()), *answers])
    except BaseException:
        record.close()
        raise
    return record


def _open_ears(recognizer: Recognizer, sound: Route | FileSource, from_s: float, live: Live) -> Ears:
    """What hears a recording, a microphone, or both microphones."""
    if isinstance(sound, FileSource):
        return Ears(recognizer, sound, from_s)
    return Ears(recognizer, sound.microphone, from_s, live.tail_s, sound.helper, library().language.urgent)
