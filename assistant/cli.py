"""The commands; the only module that knows the terminal."""

from __future__ import annotations

import json
import sys
import time
from collections.abc import Sequence
from contextlib import ExitStack
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Annotated, Any, Literal

import platformdirs
import typer
from rich.console import Console
from rich.markup import escape
from rich.table import Table

from assistant.dialogue.effects import Effect, Say
from assistant.dialogue.events import Event
from assistant.dialogue.setting_up import SettingUp, SetUp, job_of
from assistant.errors import Problem
from assistant.files import library, read_draft, read_job, top_folder
from assistant.language.meaning import Command, Meaning, Question, Reading, Readings, Unclear, value_text
from assistant.language.phrases import Expected
from assistant.models_commands import models_app, store
from assistant.page_commands import page as serve_page
from assistant.procedure_commands import check_procedure, start
from assistant.record_commands import record_app, replay, turn_table
from assistant.report_commands import REPORT, render, report
from assistant.review import replay as review
from assistant.review.report import page
from assistant.shop_commands import shop_app
from assistant.speech.audio import VisitTrack, read_audio, resample
from assistant.speech.devices import MicrophoneLost
from assistant.speech.ears import Ears, Source, TwoEars, hear_whole
from assistant.speech.microphone import Microphone
from assistant.speech.player import DevicePlayer, PlayerError, TrackPlayer
from assistant.speech.recognizer import Recognizer, VoskRecognizer
from assistant.speech.room import NEAR_DB, TOO_FAR_DB
from assistant.speech.route import SoundRoute
from assistant.speech.second import TwoRecognizers
from assistant.speech.sources import FileSource
from assistant.speech.sphinx import SphinxRecognizer, read_pronunciations
from assistant.speech.voice import ChildVoice, VoiceError, VoiceSettings
from assistant.trade.job import Job
from assistant.visit import folder as visits
from assistant.visit.beforehand import LEFT, WAITS, Beforehand
from assistant.visit.earlier import history
from assistant.visit.now import Now
from assistant.visit.record import Record, SystemClock, audio_of
from assistant.visit.seal import seal
from assistant.visit.visit import QUIET_S, Setting, Visit, setting_of, turns
from assistant.work_out_commands import work_out

app = typer.Typer(
    add_completion=False,
    no_args_is_help=True,
    pretty_exceptions_enable=False,
    context_settings={"help_option_names": ["-h", "--help"]},
    help="A hands-free assistant for gas ignition service: it asks, hears readings, judges them, warns before "
    "the hand goes in, and keeps a record. It advises and records; it gives no permission.",
)
app.add_typer(models_app, name="models")
app.callback()(start)
app.command(name="check-procedure")(check_procedure)
app.command(name="work-out")(work_out)
app.command()(report)
app.add_typer(record_app, name="record")
app.add_typer(shop_app, name="shop")
app.command()(replay)
app.command(name="page")(serve_page)
console = Console(highlight=False)
errors = Console(stderr=True, highlight=False, soft_wrap=True)

DEMO_VISITS = {
    "hot-surface": "a yearly check of a hot surface igniter",
    "direct-spark": "a no heat visit to a direct spark furnace",
    "standing-pilot": "a yearly check of a standing pilot",
    "intermittent-pilot": "the safety test of an intermittent pilot, LP",
    "gas-odour": "a visit that meets a gas odour",
}
VoiceEngine = Literal["bundled", "system"]
VOICE = Annotated[VoiceEngine, typer.Option("--voice", help="The bundled voice, or the one that the system has.")]
Engine = Literal["vosk", "pocketsphinx"]
ENGINE = Annotated[Engine, typer.Option("--engine", help="What hears.")]
SECOND = Annotated[
    bool,
    typer.Option(
        "--second-opinion/--no-second-opinion", help="Let the other engine hear readings too; ask where they differ."
    ),
]
NAME = "ignition-assistant"  # of the folders for the cache
TAIL_S = 0.3  # of the own voice in a room; SPEECH 2.4 takes it as the start before it is measured
MICROPHONE = Annotated[str | None, typer.Option("--microphone", help="The microphone's name; else the system's own.")]
LOUDSPEAKER = Annotated[
    str | None, typer.Option("--loudspeaker", help="The loudspeaker's name; else the system's own.")
]
TAIL = Annotated[
    float,
    typer.Option("--tail", min=0.0, max=3.0, help="Seconds not heard after its voice; see self-check --listen."),
]
HEADSET = Annotated[
    bool,
    typer.Option("--headset", help="The voice does not come back: stop and the emergency words cut it off."),
]
HELPER = Annotated[str | None, typer.Option("--helper-microphone", help="The name of a second one, for a helper.")]
NARROW = "This microphone gives 8000 samples a second, as a telephone: words are heard worse. Use a wired headset."


@dataclass(frozen=True)
class Live:
    """How a visit by microphone sounds and is heard: the names of the devices, and seconds as in the options."""

    microphone: str | None = None
    loudspeaker: str | None = None
    quiet_s: float = QUIET_S
    tail_s: float = TAIL_S
    headset: bool = False
    helper: str | None = None


FOLDER = Annotated[Path, typer.Option("--folder", help="Where visits are kept.")]


def main() -> None:
    """Runs the command line: every problem is one sentence and exit status 2, never a traceback."""
    try:
        app()
    except Problem as problem:
        errors.print(f"[bold red]Problem:[/] {escape(str(problem))}")
        sys.exit(2)
    except KeyboardInterrupt:
        errors.print("Stopped. Everything said so far is in the record; go on with: assistant visit --resume")
        sys.exit(130)


# --- what is heard and what it means


def question_named(name: str) -> Question:
    """The question of that name: a quantity, or a step of a procedure. Problem when there is none."""
    quantities = library().quantities
    if name in quantities:
        return Question(name, quantities[name])
    for procedure in library().procedures.values():
        if procedure.has(name):
            asked = procedure.step(name).quantity
            return Question(name, quantities[asked] if asked else None)
    raise Problem(f"{name!r} is no question; see the list with: assistant understand --questions")


def ears_of(engine: Engine, second_opinion: bool) -> Recognizer:
    """The recognizer, after every word of the grammars was found in its model (SPEECH V2)."""
    recognizer = _engine(engine)
    grammar = library().grammar
    for rule in (rule for rules in grammar.public.values() for rule in rules):
        words = grammar.words(rule)
        for missing in recognizer.missing(words):
            place = words[missing]
            raise Problem(
                f"grammars/{place.file}, line {place.line}: {missing!r} is not in the speech model of "
                f"{recognizer.name}; use another word there, or another model."
            )
    if second_opinion:
        return TwoRecognizers(recognizer, _engine("vosk" if engine == "pocketsphinx" else "pocketsphinx"))
    return recognizer


def _engine(name: Engine) -> Recognizer:
    if name == "vosk":
        return VoskRecognizer(store().model_in_use())
    return SphinxRecognizer(read_pronunciations(top_folder("grammars") / "pronunciations.dict"))


def meaning_body(meaning: Meaning) -> dict[str, Any]:
    """A meaning as plain JSON values."""
    match meaning:
        case Command():
            return {"kind": "command", "name": meaning.name}
        case Reading():
            body: dict[str, Any] = {"kind": "reading", "value": value_text(meaning.value), "unit": meaning.unit}
            if meaning.approximate:
                body["approximate"] = True
            if meaning.upper is not None:
                body["range"] = [value_text(value) for value in meaning.values]
            return body
        case Readings():
            named = [{"quantity": name, **meaning_body(each)} for name, each in meaning.entries]
            return {"kind": "readings", "readings": named}
        case Unclear():
            choices = {"choices": list(meaning.choices)} if meaning.choices else {}
            detail = {"detail": meaning.detail} if meaning.detail else {}
            near = {"did_you_mean": meaning.near} if meaning.near else {}
            return {"kind": "unclear", "reason": meaning.reason, **choices, **detail, **near}


def explain(body: dict[str, Any]) -> str:
    """The same in one line for people."""
    meaning = body["meaning"]
    match meaning["kind"]:
        case "command":
            what = f"command [bold]{meaning['name']}[/]"
        case "reading":
            about = "about " if meaning.get("approximate") else ""
            value = " to ".join(meaning.get("range", [meaning["value"]]))
            what = f"reading [bold]{about}{value} {meaning['unit']}[/]"
        case "readings":
            each = (f"{m['quantity']} {m.get('value', m['kind'])} {m.get('unit', '')}" for m in meaning["readings"])
            what = f"readings [bold]{'; '.join(each)}[/]"
        case _:
            choices = f" ({' or '.join(meaning['choices'])})" if "choices" in meaning else ""
            detail = f": {meaning['detail']}" if "detail" in meaning else ""
            detail += f"; did you mean {meaning['did_you_mean']}?" if "did_you_mean" in meaning else ""
            what = f"unclear, {meaning['reason']}{choices}{detail}"
    ask = f"; asks for a yes ({body['confirm']})" if body["confirm"] else ""
    return f"{escape(repr(body['said']))}: {what}{ask}"


def print_questions() -> None:
    """Lists the questions with unit and span of the instrument."""
    table = Table("question", "unit", "the meter shows", "last digit", title="Questions that take a reading")
    for name, quantity in library().quantities.items():
        table.add_row(name, quantity.unit, f"{quantity.low:f} to {quantity.high:f}", f"{quantity.resolution:f}")
    console.print(table)
    steps = ", ".join(step.id for procedure in library().procedures.values() for step in procedure.steps)
    console.print(f"Or the name of a step: {steps}.")


QUESTION = Annotated[str, typer.Option("--question", "-q", help="What was asked: a quantity or a step.")]
QUESTIONS = Annotated[bool, typer.Option("--questions", help="List the questions and stop.")]
JSON = Annotated[bool, typer.Option("--json", help="One JSON object a line.")]


def print_result(body: dict[str, Any], as_json: bool) -> None:
    """One result line."""
    if as_json:
        print(json.dumps(body, ensure_ascii=False), flush=True)
    else:
        console.print(f"{escape(body['file'])}: {explain(body)}" if "file" in body else explain(body))


@app.command()
def understand(
    words: Annotated[list[str] | None, typer.Argument(help="The words; without any, lines on standard input.")] = None,
    question: QUESTION = "",
    as_json: JSON = False,
    questions: QUESTIONS = False,
    why: Annotated[bool, typer.Option("--why", help="Show every value considered, and why it stayed or went.")] = False,
) -> None:
    """Say what the assistant makes of words at a question."""
    if questions:
        print_questions()
        return
    language, asked = library().language, _asked(question)
    for line in [" ".join(words)] if words else (line.rstrip("\n") for line in sys.stdin):
        meaning = language.understand(line, asked)
        confirm = language.confirm(line, meaning, asked)
        body: dict[str, Any] = {"said": line, "meaning": meaning_body(meaning), "confirm": confirm}
        if not why:
            print_result(body, as_json)
            continue
        values = language.why(line, asked)
        if as_json:
            body["considered"] = [
                {"value": value_text(c.value), "unit": c.unit, "how": c.how, "gone": c.gone or None} for c in values
            ]
        print_result(body, as_json)
        if not as_json:
            for c in values:
                console.print(f"  {value_text(c.value)} {c.unit}, {c.how}: {c.gone or 'stays'}")


@app.command()
def hear(
    files: Annotated[list[Path] | None, typer.Argument(help="Recordings, each of one answer.")] = None,
    question: QUESTION = "",
    as_json: JSON = False,
    questions: QUESTIONS = False,
    engine: ENGINE = "vosk",
    second_opinion: SECOND = False,
) -> None:
    """Say what the assistant makes of recordings at a question."""
    if questions:
        print_questions()
        return
    if not files:
        raise Problem("Name at least one recording: assistant hear FILE --question NAME")
    language, asked = library().language, _asked(question)
    recognizer = ears_of(engine, second_opinion)
    expected = Expected(language, asked)
    failed = False
    for file in files:
        try:
            audio = resample(read_audio(file), recognizer.rate_hz)
        except Problem as problem:  # the other files are still heard
            errors.print(f"[bold red]Problem:[/] {escape(str(problem))}")
            failed = True
            continue
        heard, decode_s = hear_whole(recognizer, audio, expected)
        meaning = language.understand(heard.text, asked)
        body = {
            "file": str(file),
            "said": heard.text,
            "meaning": meaning_body(meaning),
            "confirm": language.confirm(heard.text, meaning, asked)
            or ("alternative" if language.rivals(heard, meaning, asked) else None),
            "audio_s": round(audio.seconds, 3),
            "decode_s": round(decode_s, 3),
        }
        print_result(body, as_json)
    if failed:
        sys.exit(2)


def _asked(name: str) -> Question:
    if not name:
        raise Problem("Say what was asked: --question NAME; the names are listed by --questions.")
    return question_named(name)


# --- visits


@app.command()
def demo(
    visit: Annotated[
        str, typer.Argument(help="Which: " + "; ".join(f"{k}, {v}" for k, v in DEMO_VISITS.items()))
    ] = "hot-surface",
    folder: FOLDER = Path("out"),
    voice: VOICE = "bundled",
) -> None:
    """Run an invented visit from recordings: real recognition, no microphone, no network."""
    if visit not in DEMO_VISITS:
        raise Problem(f"There is no demo called {visit!r}; there is: {', '.join(DEMO_VISITS)}.")
    fixtures = top_folder("audio_fixtures") / "visits"
    visits.make(folder)
    visits.set_aside(folder)
    job = fixtures / f"{visit}.job.yaml"
    console.print("This visit is invented: no such site, people or appliance exist.")
    console.print("Where a step asks to wait some minutes its people do not, and the record says so: NOT WAITED.")
    work(Begin(read_draft(job), record=folder / visits.RECORD), folder, [fixtures / f"{visit}.flac"], voice)


@app.command(name="visit")
def visit_(
    job: Annotated[Path | None, typer.Option("--job", help="The job file (YAML).")] = None,
    from_audio: Annotated[
        list[Path] | None,
        typer.Option("--from-audio", help="Recordings instead of the microphone; repeat it for more."),
    ] = None,
    resume: Annotated[bool, typer.Option("--resume", help="Go on with the newest unfinished visit.")] = False,
    folder: FOLDER = Path("out"),
    voice: VOICE = "bundled",
    engine: ENGINE = "vosk",
    second_opinion: SECOND = False,
    microphone: MICROPHONE = None,
    loudspeaker: LOUDSPEAKER = None,
    quiet_s: Annotated[float, typer.Option("--quiet", min=5.0, help="Seconds of silence, then it calls.")] = QUIET_S,
    tail_s: TAIL = TAIL_S,
    headset: HEADSET = False,
    helper_microphone: HELPER = None,
    set_up: Annotated[
        bool, typer.Option("--set-up", help="Ask by voice for what the job file leaves out; without one, for all.")
    ] = False,
    wait: Annotated[bool, typer.Option("--wait", help='Wait until somebody says "begin the visit".')] = False,
) -> None:
    """Work a visit by voice, from a microphone or from recordings; without a job file it is set up by voice."""
    if resume and (job or set_up):
        raise Problem("Give --resume alone to go on with an unfinished visit; a new one takes --job and --set-up.")
    live = Live(microphone, loudspeaker, quiet_s, tail_s, headset, helper_microphone)
    if resume:
        begun: Path | Begin = visits.unfinished(folder)
    elif job and not set_up:
        read_job(job)
        begun = Begin(read_draft(job))
    else:
        begun = Begin(read_draft(job) if job else {}, ask=True)
    work(begun, folder, from_audio or [], voice, engine, second_opinion, live, wait)


@dataclass(frozen=True)
class Begin:
    """A new visit. job: what its job file says; ask: the rest is set up by voice.

    record: its file, where it is not to have a folder of its own; it is then compared with no earlier visit.
    """

    job: dict[str, Any]
    ask: bool = False
    record: Path | None = None


def work(
    begun: Path | Begin,
    folder: Path,
    recordings: Sequence[Path],
    voice_engine: VoiceEngine,
    engine: Engine = "vosk",
    second_opinion: bool = False,
    live: Live = Live(),
    wait: bool = False,
) -> None:
    """Works a visit, new or (by the path of its record) resumed, and prints it as it goes. folder: where visits lie."""
    if isinstance(begun, Begin) and not begun.ask:
        library().rules_for(Job.model_validate(begun.job))  # a job that has no procedure is told before anything
    recognizer = ears_of(engine, second_opinion)
    settings = VoiceSettings(engine=voice_engine)
    with ExitStack() as stack:
        resumed = stack.enter_context(Record.open(begun)) if isinstance(begun, Path) else None
        files, from_s = list(recordings), 0.0
        if resumed:
            show_resumed(resumed)
            if not files:
                files, from_s = visits.rest_of(resumed)
        track = VisitTrack(recognizer.rate_hz)
        # The sound is opened before a record is begun: without it there is no visit.
        route = None if files else open_route(live, recognizer.rate_hz, stack)
        ears = open_ears(recognizer, route or FileSource(files, recognizer.rate_hz, from_s, track), from_s, live)
        now = Now(folder)
        ears.took = now.listening
        player = now.player(route.player if route else TrackPlayer(track))
        console.print(f"Heard by {escape(recognizer.name)}.")
        cache = Path(platformdirs.user_cache_dir(NAME)) / "voice"
        voice = now.voice(stack.enter_context(ChildVoice(settings, cache)))
        headset = live.headset and not files
        before = Beforehand(library().language, ears, voice, player, show, route, live.quiet_s, headset)
        try:
            if wait:
                console.print(f"[cyan]< {WAITS}[/]")
                before.wait()
            record = (
                go_on(resumed, before)
                if resumed
                else stack.enter_context(begin(begun, folder, before, recognizer.name, voice_engine, files))
            )
        except KeyboardInterrupt:
            raise Problem(LEFT) from None
        path = record.path
        now.record = str(path.resolve())
        console.print(f"Record: {escape(str(path))}")
        visit = Visit(
            record,
            ears,
            voice,
            player,
            show,
            not files,
            sleep=None if files else time.sleep,
            quiet_s=live.quiet_s,
            route=route,
            headset=headset,
        )
        if route:
            visit.device("opened", **route.facts, headset=live.headset)
            if route.microphone.is_narrow:
                console.print(f"[yellow]{NARROW}[/]")
        try:
            closed = visit.run()
        except MicrophoneLost as lost:
            visit.device("microphone lost", problem=str(lost))
            raise Problem(f"{str(lost).rstrip('.')}, then go on with: assistant visit --resume") from lost
        finally:
            now.over()
            if track.seconds:
                track.write(path.parent / "visit.flac")
        finish(record, path, closed)


def go_on(record: Record, before: Beforehand) -> Record:
    """The record of a resumed visit, with the emergencies that were called out while it waited."""
    if before.answers:
        record.append(before.entries(audio_of(record.path), setting_of(record).grammar_sha256))
    return record


def begin(
    begun: Path | Begin, folder: Path, before: Beforehand, engine: str, voice: VoiceEngine, files: Sequence[Path]
) -> Record:
    """Begins the record of a new visit: its rules, and what was answered in its set-up, in one transaction."""
    assert isinstance(begun, Begin)
    now = SystemClock().utc()
    job = Job.model_validate(set_up_by_voice(begun.job, before, now) if begun.ask else begun.job)
    rules = library().rules_for(job, None if begun.record else history(folder, job, now))
    origin = tuple(str(file.resolve()) for file in files)
    setting = Setting(rules, library().grammar_texts, engine, voice, origin)
    record = Record.create(begun.record or visits.new_record_path(folder, now, job.site))
    try:
        answers = before.entries(audio_of(record.path), setting.grammar_sha256)
        record.append([("visit", setting.to_body()), *answers])
    except BaseException:
        record.close()
        raise
    return record


def set_up_by_voice(job: dict[str, Any], before: Beforehand, now: str) -> dict[str, Any]:
    """The job as a job file would say it, with what was asked."""
    shelf = library()
    dialogue = SetUp(shelf.language, shelf.quantities, shelf.worked)
    told = " ".join(effect.text for effect in dialogue.opening(SettingUp(job)) if isinstance(effect, Say))
    console.print(f"[cyan]< {escape(told)}[/]")
    return job_of(before.set_up(dialogue, SettingUp(job)), now[:16].replace("T", " "))


def open_ears(recognizer: Recognizer, sound: SoundRoute | Source, from_s: float, live: Live) -> Ears:
    """What hears a recording, a microphone, or both microphones."""
    if not isinstance(sound, SoundRoute):
        return Ears(recognizer, sound, from_s)
    if not sound.helper:
        return Ears(recognizer, sound.microphone, from_s, live.tail_s)
    always = library().language.urgent
    return TwoEars(recognizer, sound.microphone, sound.helper, live.tail_s, lambda text: bool(always(text)))


def open_route(live: Live, rate_hz: int, stack: ExitStack) -> SoundRoute:
    """The devices of a visit by microphone, open until the stack is left. Raises Problem."""
    microphone = stack.enter_context(Microphone(live.microphone, rate_hz))
    helper = stack.enter_context(Microphone(live.helper, rate_hz)) if live.helper else None
    if helper and helper.device_name == microphone.device_name:
        raise Problem(f"{helper.device_name!r} is the technician's own microphone; name another one for the helper.")
    return SoundRoute(microphone, DevicePlayer(live.loudspeaker), helper=helper)


def finish(record: Record, path: Path, closed: bool) -> None:
    """The end of a run: the table of its turns, and the head of the record."""
    table = turn_table(record)
    console.print(table)
    with (path.parent / "turns.txt").open("w", encoding="utf-8") as out:
        Console(file=out, width=160, highlight=False).print(table)
    page.write(render(record)[0], path.parent / REPORT)
    console.print(f"Report: {escape(str(path.parent / REPORT))}")
    if closed:
        seal(record)
    else:
        console.print("The recording ended before the visit did; go on with: assistant visit --resume")
    console.print(f"Head of the record: {record.head}")
    if closed:
        console.print(f"As it was said, before the end was written: {list(record.rows())[-1].previous[:8]}")


def show(event: Event, effects: Sequence[Effect]) -> None:
    """Prints one turn as it happens."""
    turn = review.row(event, tuple(effects))
    if turn is None:
        return
    if turn.heard:
        console.print(f"[green]> {escape(turn.heard)}[/]")
    if turn.decided:
        console.print(f"  [yellow]{escape(turn.decided)}[/]")
    if turn.answer:
        console.print(f"[cyan]< {escape(turn.answer)}[/]")


def show_resumed(record: Record) -> None:
    """What a resumed visit already holds."""
    state = [turn.after for turn in turns(record)][-1:]
    standing = state[0].standing if state else ()
    console.print(f"{len(standing)} readings are in the record:")
    for taken in standing:
        value = meaning_body(Reading(taken.value, taken.unit))
        console.print(f"  {taken.quantity}: {value['value']} {taken.unit}, {taken.verdict.outcome}")


# --- what is there and what is missing


@app.command(name="self-check")
def self_check(
    listen: Annotated[
        bool, typer.Option("--listen", help="Measure the room instead: noise, speech, what comes back of the voice.")
    ] = False,
    microphone: MICROPHONE = None,
    loudspeaker: LOUDSPEAKER = None,
    as_json: JSON = False,
) -> None:
    """Say what is there and what is missing, each with the line that mends it; or measure the room."""
    from assistant import selfcheck  # noqa: PLC0415 - it tries every part

    if listen:
        cache = Path(platformdirs.user_cache_dir(NAME)) / "voice"

        def tell(text: str) -> None:
            errors.print(f"[cyan]< {text}[/]")

        try:
            found = selfcheck.listen(store().model_in_use(), cache, microphone, loudspeaker, tell)
        except (MicrophoneLost, PlayerError, VoiceError) as lost:
            raise Problem(str(lost)) from lost
        if as_json:
            print(json.dumps(found))
        else:
            console.print(room_table(found))
        if not found["heard_right"] or found["distance"] == "too far":
            sys.exit(2)
        return
    parts = list(selfcheck.checks(store().model_in_use()))
    lacking = any(part.needed and not part.found for part in parts)
    if as_json:
        print(json.dumps([asdict(part) for part in parts]))
    else:
        table = Table("part", "state", "what mends it")
        for part in parts:
            state = "[green]there[/]" if part.found else "[red]missing[/]" if part.needed else "[yellow]missing[/]"
            table.add_row(part.name, f"{state} {escape(part.detail)}", "" if part.found else escape(part.mend))
        console.print(table)
    if lacking:
        sys.exit(2)


def room_table(found: dict[str, Any]) -> Table:
    """What was measured of the room, and what to do about it."""
    table = Table("what", "measured", "what it means")
    far = "Take the microphone nearer to the mouth, or a headset."
    distance = {
        "too far": f"too far: below {TOO_FAR_DB:g} dB. {far}",
        "nearer is heard better": f"it works; from {NEAR_DB:g} dB on it is heard best. {far}",
        "not measured": "No words were heard. Say the sentence again, louder or nearer.",
    }
    table.add_row("microphone", f"{escape(found['microphone'])}, {found['microphone_hz']} Hz", "")
    table.add_row("loudspeaker", escape(found["loudspeaker"]), "")
    table.add_row("noise", f"{found['noise_dbfs']:.1f} dBFS", "")
    if found["speech_dbfs"] is not None:
        clipped = "Too loud: the sound is cut off. Turn the microphone's level down." if found["clipped"] else ""
        table.add_row("speech", f"{found['speech_dbfs']:.1f} dBFS", clipped)
    ratio = found["speech_to_noise_db"]
    told = "-" if ratio is None else f"{ratio:.0f} dB"
    table.add_row("speech to noise", told, distance.get(found["distance"], found["distance"]))
    wrong = "" if found["heard_right"] else "That is not the sentence. Try again."
    table.add_row("heard", escape(found["heard"] or "-"), wrong)
    if found["own_voice_heard"]:
        over = f"{found['own_voice_over_noise_db']:.0f} dB over the noise"
        after = f"{found['own_voice_after_s']:.2f} s after its end"
        table.add_row("own voice", f"after {1000 * found['delay_s']:.0f} ms, {over}, {after}", "")
    else:
        table.add_row("own voice", "nothing comes back", "A headset: assistant visit --headset")
    if found["sound_lost"]:
        table.add_row("sound lost", f"{found['sound_lost']} times", "Close other programs.")
    table.add_row("tail", f"{found['tail_s']:.2f} s", f"assistant visit --tail {found['tail_s']:.2f}")
    return table
