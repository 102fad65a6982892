"""The commands, as people type them: what they print, and what they say of bad input."""

from __future__ import annotations

import io
import json
import os
import signal
import sqlite3
import subprocess
import sys
import time
from dataclasses import replace
from importlib.metadata import version
from pathlib import Path

import numpy as np
import pytest
from rich.console import Console

from assistant import cli, selfcheck
from assistant.cli import terminal
from assistant.cli.self_check import room_table
from assistant.errors import Problem
from assistant.files import read_job, top_folder
from assistant.record.record import Record
from assistant.speech.audio import Audio, read_audio, write_flac
from assistant.speech.room import OwnVoice, Room

COMMANDS = {name: line for group in cli.COMMANDS.values() for name, line in group.items()}
FIXTURES = top_folder("audio_fixtures") / "visits"
JOB = FIXTURES / "hot-surface.job.yaml"


@pytest.fixture
def job(tmp_path):
    """The demo's job as a file for real visits."""
    text = JOB.read_text(encoding="utf-8")
    (tmp_path / "real.job.yaml").write_text(text.replace("invented: true\n", ""), encoding="utf-8")
    return tmp_path / "real.job.yaml"


def refused(result: tuple[int, str, str]) -> str:
    """The one sentence of a refusal."""
    status, _, err = result
    assert status == 2
    assert "Traceback" not in err
    assert err.count("\n") == 1, err
    return err


def test_understand_gives_one_json_object_a_line(run):
    status, out, _ = run(
        "understand", "--question", "igniter-resistance", "--json", stdin="one twenty ohms\nO L\nfifteen\nbanana\n"
    )
    assert status == 0
    assert [json.loads(line) for line in out.splitlines()] == [
        {"said": "one twenty ohms", "meaning": {"kind": "reading", "value": "120", "unit": "ohm"}, "confirm": None},
        {"said": "O L", "meaning": {"kind": "reading", "value": "open", "unit": "ohm"}, "confirm": None},
        {"said": "fifteen", "meaning": {"kind": "reading", "value": "15", "unit": "ohm"}, "confirm": "confusable"},
        {"said": "banana", "meaning": {"kind": "unclear", "reason": "not-understood"}, "confirm": None},
    ]


def test_understand_takes_words_a_step_and_negative_values(run):
    assert "-0.02 inH2O" in run("understand", "minus point oh two", "-q", "draft")[1]
    assert "command no" in run("understand", "no", "-q", "prove-dead")[1]
    assert "ambiguous (350 or 3.50)" in run("understand", "three", "fifty", "-q", "manifold-pressure")[1]


def test_questions_are_listed_with_unit_and_span(run, shelf):
    out = run("understand", "--questions")[1]
    assert all(name[:12] in out for name in shelf.quantities)
    assert "microampere" in out
    assert out.startswith(run("hear", "--questions")[1][:50])


def test_hear_gives_what_was_said(run, tmp_path):
    sound = read_audio(FIXTURES / "hot-surface.flac")
    start = 3.0  # before "yes", the second utterance
    first = Audio(sound.samples[: int(start * sound.rate_hz)], sound.rate_hz)
    write_flac(tmp_path / "one.flac", first)
    status, out, _ = run("hear", tmp_path / "one.flac", "--question", "ambient-co", "--json")
    heard = json.loads(out)
    assert status == 0
    assert heard["file"] == str(tmp_path / "one.flac")
    assert heard["meaning"] == {"kind": "reading", "value": "3", "unit": "ppm"}
    assert heard["confirm"] == "always"
    assert heard["audio_s"] == pytest.approx(3.0)
    assert heard["decode_s"] > 0


@pytest.mark.parametrize(("more_noise", "ratio_db", "asks"), [(0.0, 10.0, None), (1.0, 7.0, "noise")])
def test_a_reading_in_loud_noise_is_asked(run, tmp_path, more_noise, ratio_db, asks):
    visit = read_audio(FIXTURES / "hot-surface.flac")  # in blower noise 10 dB below the speech
    start, end = (round(t * visit.rate_hz) for t in (40.3, 42.8))  # "sixty two ohms", and the noise around it
    said, noise = visit.samples[start:end], visit.samples[: round(1.7 * visit.rate_hz)]
    other = np.tile(noise[::-1], 2)[: len(said)]  # as loud as the noise that is in it already, and not the same
    loud = np.clip(said + more_noise * other, -32_768, 32_767).astype(np.int16)
    write_flac(tmp_path / "loud.flac", Audio(loud, visit.rate_hz))
    status, out, _ = run("hear", tmp_path / "loud.flac", "--question", "igniter-resistance", "--json")
    heard = json.loads(out)
    assert status == 0
    assert heard["meaning"] == {"kind": "reading", "value": "62", "unit": "ohm"}
    assert heard["over_noise_db"] == pytest.approx(ratio_db, abs=1.5)
    assert heard["confirm"] == asks


def test_hear_goes_on_after_a_file_that_is_no_sound(run, tmp_path):
    (tmp_path / "bad.wav").write_bytes(b"nothing")
    write_flac(tmp_path / "quiet.flac", Audio(np.zeros(16000, np.int16), 16000))
    status, out, err = run("hear", tmp_path / "bad.wav", tmp_path / "quiet.flac", "-q", "line-voltage", "--json")
    assert status == 2
    assert "bad.wav" in err
    assert json.loads(out)["meaning"] == {"kind": "unclear", "reason": "silence"}


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (["understand", "yes", "-q", "nope"], "'nope' is no question"),
        (["understand", "yes"], "--question NAME"),
        (["hear", "-q", "line-voltage"], "at least one recording"),
        (["hear", "missing.wav", "-q", "line-voltage"], "missing.wav"),
        (["demo", "nope"], "no demo called 'nope'"),
        (["visit", "--resume", "--set-up"], "--resume alone"),
        (["visit", "--job", "missing.yaml", "--set-up"], "missing.yaml"),
        (["visit", "--job", "missing.yaml"], "missing.yaml"),
        (["replay", "missing.sqlite"], "missing.sqlite"),
        (["visit", "--resume", "--folder", "nowhere"], "no unfinished visit"),
    ],
)
def test_bad_input_is_one_sentence(run, tmp_path, monkeypatch, arguments, said):
    monkeypatch.chdir(tmp_path)
    assert said in refused(run(*arguments))


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ("site:", "sight:", "line 3, column 1: sight: no such key"),
        ("unit: inH2O}", "unit: furlongs}", "is not a known unit"),
        ("fuel: natural gas", "fuel: coal", "appliance.fuel"),
        ("igniter-resistance: {low", "igniter-ohms: {low", "'igniter-ohms', which is not a quantity"),
        ("dial_ft3: 0.5", "dial_ft3: 0", "gas.dial_ft3"),
        ("{value: 3.5, unit: inH2O}", "{unit: inH2O}", "give either value, or low and high"),
        ("plate:", "plate: [", "this is not YAML"),
    ],
)
def test_a_wrong_job_file_is_told_with_its_place(run, tmp_path, old, new, said):
    text = JOB.read_text(encoding="utf-8")
    assert old in text
    (tmp_path / "job.yaml").write_text(text.replace(old, new, 1), encoding="utf-8")
    sound = FIXTURES / "gas-odour.flac"
    got = run("visit", "--job", tmp_path / "job.yaml", "--from-audio", sound, "--folder", tmp_path / "v")
    message = refused(got)
    assert said in message
    assert not list((tmp_path / "v").glob("*/visit.sqlite"))


@pytest.mark.parametrize("content", [b"", b"nothing", b"SQLite format 3\0 and then nothing"])
def test_a_record_that_is_none_is_refused(run, tmp_path, content):
    (tmp_path / "visit.sqlite").write_bytes(content)
    assert "visit.sqlite" in refused(run("replay", tmp_path / "visit.sqlite"))


def test_a_database_that_is_no_record_is_refused(run, tmp_path):
    with sqlite3.connect(tmp_path / "visit.sqlite") as other:
        other.execute("CREATE TABLE shopping(item)")
    assert "visit.sqlite" in refused(run("replay", tmp_path))


def test_a_recording_that_is_none_stops_the_visit_before_it_begins(run, job, tmp_path):
    (tmp_path / "bad.flac").write_bytes(b"nothing")
    got = run("visit", "--job", job, "--from-audio", tmp_path / "bad.flac", "--folder", tmp_path / "v")
    assert "bad.flac" in refused(got)
    assert not list((tmp_path / "v").glob("*/visit.sqlite"))


def test_a_visit_from_recordings_is_replayed_from_its_record_alone(run, job, tmp_path):
    sound = FIXTURES / "gas-odour.flac"
    status, out, _ = run("visit", "--job", job, "--from-audio", sound, "--folder", tmp_path)
    assert status == 0
    assert "EMERGENCY" in out
    (record,) = tmp_path.glob("*/visit.sqlite")
    assert {p.name for p in record.parent.iterdir()} == {
        "visit.sqlite",
        "visit.audio",
        "visit.lock",
        "report.html",
        "visit.flac",
        "turns.txt",
    }
    for path in record.parent.glob("visit.audio/*"):
        path.unlink()
    status, shown, err = run("replay", record.parent)
    assert (status, "The recording 0001.flac is missing." in err) == (2, True)
    assert "EMERGENCY" in shown
    assert "decided otherwise" not in shown
    with Record.open(record, read_only=True) as opened:
        assert opened.head in shown.replace("\n", "")


def test_a_changed_record_is_told_in_its_replay(run, job, tmp_path):
    run("visit", "--job", job, "--from-audio", FIXTURES / "gas-odour.flac", "--folder", tmp_path)
    (record,) = tmp_path.glob("*/visit.sqlite")
    with sqlite3.connect(record) as raw:
        for (name,) in raw.execute("SELECT name FROM sqlite_master WHERE type = 'trigger'").fetchall():
            raw.execute(f"DROP TRIGGER {name}")
        raw.execute("""UPDATE entry SET body = replace(body, '"value":"2"', '"value":"9"') WHERE kind = 'reading'""")
    status, _, err = run("replay", record)
    assert status == 2
    assert "Not as it was recorded" in err


@pytest.fixture
def home(tmp_path, monkeypatch):
    """An empty home of the user."""
    for kind in ("config", "data"):
        monkeypatch.setattr(f"platformdirs.user_{kind}_path", lambda *_, kind=kind, **__: tmp_path / "home" / kind)
    return tmp_path / "home"


def test_visits_lie_among_the_users_data_until_a_folder_is_chosen_once(run, job, home, tmp_path, monkeypatch):
    visit = ("visit", "--job", job, "--from-audio", FIXTURES / "gas-odour.flac")
    assert run("visits")[1].startswith(f"Visits are kept in {home / 'data' / 'visits'};")
    assert run("visits")[2] == ""  # there are none yet, which is nothing wrong
    assert run(*visit)[0] == 0
    (first,) = (home / "data" / "visits").glob("*/visit.sqlite")
    monkeypatch.chdir(tmp_path)
    assert "from now on" in run("visits", "--keep-in", "mine")[1]
    monkeypatch.chdir(home)  # chosen once, wherever one is then
    assert run(*visit)[0] == 0
    (second,) = (tmp_path / "mine").glob("*/visit.sqlite")
    status, out, _ = run("visits")
    assert status == 0
    assert str(second.parent) in out
    assert str(first.parent) not in out
    assert out.count(read_job(job).site) == 1
    monkeypatch.setattr("assistant.session.visit.Visit.run", stopped)
    assert run(*visit)[2] == f"{KEPT}\n"  # so without --folder


def test_a_demo_lies_apart_from_real_visits(run, home, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    assert run("demo", "gas-odour")[0] == 0
    assert (tmp_path / "out" / "visit.sqlite").is_file()
    assert not home.exists()


def test_a_second_demo_sets_the_first_aside(run, tmp_path):
    run("demo", "gas-odour", "--folder", tmp_path)
    first = (tmp_path / "visit.sqlite").read_bytes()
    run("demo", "gas-odour", "--folder", tmp_path)
    (earlier,) = (tmp_path / "earlier").iterdir()
    assert (earlier / "visit.sqlite").read_bytes() == first
    assert (tmp_path / "visit.sqlite").exists()


def test_without_a_microphone_the_way_out_is_told(run, job, tmp_path, monkeypatch):
    def no_library(*_: object, **__: object) -> None:
        raise Problem("The sound library PortAudio was not found; install it with: sudo apt install libportaudio2")

    monkeypatch.setattr("assistant.speech.devices.load_sounddevice", no_library)
    assert "libportaudio2" in refused(run("visit", "--job", job, "--folder", tmp_path))


@pytest.mark.parametrize(
    ("options", "told"),
    [
        (["--phone", "--from-audio", "x.flac", "--microphone", "y"], "leave out --from-audio and --microphone"),
        (["--phone-helper"], "only with --phone"),
        (["--phone", "--phone-certificate", "not-there.pem", "--phone-address", "localhost"], "cannot be used"),
    ],
)
def test_options_of_a_phone_that_cannot_be_are_told(run, job, tmp_path, options, told):
    assert told in refused(run("visit", "--job", job, "--folder", tmp_path, *options))


def test_nothing_of_a_phone_is_imported_where_none_is_asked_for():
    names = "segno", "trustme", "cryptography", "uvicorn", "starlette", "assistant.phone"
    look = f"print([m for m in sys.modules if m.startswith({names!r})])"
    code = f"import sys, assistant.cli.visit, assistant.cli.self_check; {look}"
    assert subprocess.check_output([sys.executable, "-c", code], text=True) == "[]\n"


def test_a_full_disk_is_told_and_nothing_recorded_is_lost(run, job, tmp_path, monkeypatch):
    def full(path: Path, audio: Audio) -> None:
        raise Problem(f"{path} could not be written: no space left; free some space and resume the visit.")

    monkeypatch.setattr("assistant.session.keeping.write_flac", full)
    sound = FIXTURES / "gas-odour.flac"
    got = run("visit", "--job", job, "--from-audio", sound, "--folder", tmp_path)
    assert "free some space" in refused(got)
    (record,) = tmp_path.glob("*/visit.sqlite")
    with Record.open(record, read_only=True) as opened:
        assert opened.verify() == []


@pytest.mark.parametrize(("missing", "status"), [((), 0), (("microphone",), 1), (("microphone", "voice"), 2)])
def test_self_check_names_every_part_and_what_fixes_it(run, monkeypatch, missing, status):
    real = selfcheck.checks

    def checks(model: Path):
        parts = {part.name: part for part in real(model)}
        for name in ("PortAudio", "microphone", "loudspeaker"):
            parts[name] = selfcheck.Part(name, True, "of the test", f"mend the {name}", needed=False)
        yield from (replace(part, found=part.found and part.name not in missing) for part in parts.values())

    monkeypatch.setattr(selfcheck, "checks", checks)
    ended, out, _ = run("self-check")
    assert all(part in out for part in ("speech model", "words of the", "voice", "PortAudio"))
    assert ended == status
    assert ("mend the microphone" in " ".join(out.split())) == bool(missing)


def test_what_was_measured_of_a_room_comes_with_what_to_do():
    found = {
        "microphone": "desk",
        "microphone_hz": 48_000,
        "loudspeaker": "desk",
        "noise_dbfs": -40.0,
        "speech_dbfs": -32.0,
        "speech_to_noise_db": 7.3,
        "clipped": True,
        "distance": "too far",
        "sentence": Room(-30, OwnVoice(None, 0, 0), -22.7, 7.3).sentence,
        "heard": "one hundred and ten volts",
        "heard_right": False,
        "own_voice_heard": False,
        "delay_s": None,
        "own_voice_over_noise_db": None,
        "own_voice_after_s": 0.0,
        "tail_s": 0.1,
        "sound_lost": 2,
    }
    console = Console(width=160, record=True, file=io.StringIO())
    console.print(room_table(found))
    out = console.export_text()
    for told in (
        "7 dB",
        "Not good enough",
        "cut off",
        "not the sentence",
        "visit --headset",
        "2 times",
        "--tail 0.10",
    ):
        assert told in out, told


def test_every_command_has_help_and_is_in_the_readme(run):
    readme = (Path(__file__).parent.parent / "README.md").read_text(encoding="utf-8")
    listed = run("--help")[1]
    assert len(COMMANDS) >= 13
    for command, what in COMMANDS.items():
        assert any(line.split(maxsplit=1) == [command, what] for line in listed.splitlines()), command
        status, out, _ = run(command, "--help")
        assert status == 0
        assert len(out.splitlines()) > 5
        assert f"assistant {command}" in readme, command


def test_the_job_of_the_demo_says_that_it_is_invented():
    for path in FIXTURES.glob("*.job.yaml"):
        assert read_job(path).invented
        assert "invented" in read_job(path).site


DATABASE = {"sqlalchemy", "alembic", "psycopg"}
HEAVY = {*DATABASE, "sqlite3", "pint", "numpy", "vosk", "pydantic", "rich", "ruamel", "jinja2", "starlette", "requests"}


def imported(code: str) -> set[str]:
    """The packages that a new process has imported after `code`."""
    told = f"{code}\nimport sys; print(*{{name.partition('.')[0] for name in sys.modules}}, file=sys.stderr)"
    done = subprocess.run([sys.executable, "-c", told], capture_output=True, text=True, check=True)
    return set(done.stderr.split())


@pytest.mark.parametrize(
    ("option", "said"), [("--help", "self-check"), ("--version", f"assistant {version('ignition-assistant')}")]
)
def test_the_list_and_the_version_come_without_what_the_commands_import(option, said, run):
    status, out, _ = run(option)
    assert status == 0
    assert said in out
    got = imported(
        f"import sys, contextlib; sys.argv = ['assistant', {option!r}]\nfrom assistant.cli import main\n"
        "with contextlib.suppress(SystemExit): main()"
    )
    assert "assistant" in got
    assert "typer" in got
    assert not got & HEAVY


def test_only_a_store_imports_a_database():
    commands = sorted(set(COMMANDS) - {"shop", "page"})  # both show a store
    got = imported("\n".join(f"import assistant.cli.{command.replace('-', '_')}" for command in commands))
    assert "rich" in got
    assert not got & DATABASE


def test_words_are_understood_without_the_registry_of_units():
    """It takes half a second, and only a conversion needs it."""
    words = ["assistant", "understand", "one twenty ohms", "-q", "igniter-resistance"]
    got = imported(
        f"import sys, contextlib; sys.argv = {words!r}\nfrom assistant.cli import main\n"
        "with contextlib.suppress(SystemExit): main()"
    )
    assert "pydantic" in got
    assert not got & {"pint", *DATABASE}


MADE_UP = """\
import sys
from typing import Annotated
import typer
from assistant.cli.terminal import console
from assistant.errors import Problem


def made_up(what: Annotated[str, typer.Argument(help="What becomes of it.")]) -> None:
    \"\"\"Do as it is told.\"\"\"
    if what == "problem":
        raise Problem("There is none; give another.")
    if what == "stop":
        raise KeyboardInterrupt
    if what == "differs":
        sys.exit(1)
    console.print(f"done: {what}")
"""


@pytest.fixture
def made_up(tmp_path, monkeypatch):
    """A command more: a file, and its line in the list."""
    (tmp_path / "made_up.py").write_text(MADE_UP, encoding="utf-8")
    monkeypatch.setattr(cli, "__path__", [*cli.__path__, str(tmp_path)])
    monkeypatch.setitem(cli.COMMANDS["A visit"], "made-up", "Do as it is told.")
    yield
    sys.modules.pop("assistant.cli.made_up", None)


def test_a_command_more_is_a_file_and_a_line(made_up, run):
    assert ["made-up", "Do as it is told."] in [line.split(maxsplit=1) for line in run("--help")[1].splitlines()]
    assert "assistant.cli.made_up" not in sys.modules
    shown = run("made-up", "--help")
    assert shown[0] == 0
    assert "What becomes of it." in shown[1]
    assert run("made-up", "so") == (0, "done: so\n", "")
    assert refused(run("made-up", "problem")) == "Problem: There is none; give another.\n"
    assert run("made-up", "differs") == (1, "", "")
    assert run("made-up", "stop") == (130, "", "Stopped.\n")
    status, _, err = run("made-up")
    assert status == 2
    assert "Missing argument" in err


def test_a_question_that_is_answered_with_ctrl_c_stops(run, monkeypatch):
    monkeypatch.setattr("getpass.getpass", stopped)
    monkeypatch.setattr("builtins.input", stopped)
    monkeypatch.setattr("typer._click.termui.visible_prompt_func", stopped, raising=False)
    assert run("models", "remove", "some")[::2] == (130, "Stopped.\n")


def stopped(*_: object, **__: object) -> None:
    raise KeyboardInterrupt


SOUND = FIXTURES / "gas-odour.flac"
KEPT = "Stopped. Everything said so far is in the record; go on with: assistant visit --resume"
LEFT = "Stopped. It was stopped before the visit began, and nothing of it is recorded; start again, and it asks again."


@pytest.mark.parametrize(
    ("where", "more", "said"),
    [
        ("assistant.session.visit.Visit.run", [], KEPT),
        ("assistant.record.record.Record.append", [], LEFT),
        ("assistant.session.loop.Loop.work", ["--wait"], LEFT),
        ("assistant.session.loop.Loop.work", ["--set-up"], LEFT),
        ("assistant.session.session.recognizer_in_use", [], "Stopped."),
        ("assistant.cli.visit.Terminal.over", [], KEPT),
    ],
)
def test_a_visit_that_is_stopped_says_what_is_kept(run, job, tmp_path, monkeypatch, where, more, said):
    monkeypatch.setattr(where, stopped)
    got = run("visit", "--job", job, "--from-audio", SOUND, "--folder", tmp_path, *more)
    again = f"{said} --folder {tmp_path}" if said == KEPT else said
    assert got[::2] == (130, f"{again}\n")


@pytest.mark.parametrize("to", [terminal.console, terminal.lines, terminal.errors])
def test_nothing_that_is_printed_is_taken_for_an_emoji(to):
    with to.capture() as printed:
        to.print("1A:AB:CD:2B")
    assert printed.get() == "1A:AB:CD:2B\n"


def test_what_was_half_made_when_it_was_stopped_says_nothing():
    """As a recognizer of Vosk that is stopped while it is made."""
    code = """
from assistant import cli
class Half:
    def __del__(self):
        raise AttributeError("it has no handle")
def stopped():
    half = Half()
    raise KeyboardInterrupt
try:
    stopped()
except KeyboardInterrupt as interrupt:
    cli.stop(interrupt)
"""
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)
    assert (done.returncode, done.stderr) == (130, "Stopped.\n")


@pytest.mark.parametrize(
    ("command", "sign", "said"),
    [
        (["understand", "-q", "line-voltage"], "", "Stopped."),
        (["demo", "--folder", "."], "(begins)", f"{KEPT} --folder ."),
        (["page", "--folder", ".", "--port", "0"], "until Ctrl-C", "Stopped."),
    ],
)
def test_ctrl_c_in_a_terminal_is_one_line(tmp_path, command, sign, said):
    """A process group of its own is what a terminal sends its Ctrl-C to."""
    process = subprocess.Popen(
        [sys.executable, "-um", "assistant", *command],
        cwd=tmp_path,
        env={**os.environ, "COLUMNS": "200"},
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        start_new_session=True,
    )
    assert process.stdin
    assert process.stdout
    process.stdin.write("one twenty volts\n")
    process.stdin.flush()
    while sign not in (line := process.stdout.readline()):
        assert line
    time.sleep(0.3)
    os.killpg(process.pid, signal.SIGINT)
    _, err = process.communicate(timeout=60)
    assert (process.returncode, err.splitlines()) == (130, [said])
