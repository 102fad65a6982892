"""Bad input to every command: one sentence that says what to do, the exit status, and no byte of a visit changed."""

from __future__ import annotations

import hashlib
import re
from pathlib import Path

import pytest
import scripted_visits
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from assistant import cli
from assistant.errors import Problem
from assistant.files import flaws_in_job, top_folder
from assistant.record.record import Record
from assistant.review.store.store import Store
from assistant.trade.job import Job

FIXTURES = top_folder("audio_fixtures") / "visits"
DEMO_JOB = (FIXTURES / "hot-surface.job.yaml").read_text(encoding="utf-8")
REAL_JOB = DEMO_JOB.replace("invented: true\n", "")

FILES = {
    "empty": b"",
    "empty.yaml": b"# nothing yet\n",
    "text.mp3": b"this is a text and no sound, whatever its name says\n" * 40,
    "text.wav": b"this is no sound either\n",
    "short.flac": (FIXTURES / "gas-odour.flac").read_bytes()[:5000],
    "voice.m4a": b"\0\0\0\x20ftypM4A " + bytes(200),
    "voice.webm": b"\x1aE\xdf\xa3" + bytes(200),
    "voice.wma": b"\x30\x26\xb2\x75" + bytes(200),
    "voice.amr": b"#!AMR\n" + bytes(200),
    "voice.aac": b"\xff\xf1" + bytes(200),
    "utf-16.yaml": REAL_JOB.encode("utf-16"),
    "latin-1.yaml": "site: Café\n".encode("latin-1"),
    "zeros.yaml": bytes(100),
    "list.yaml": b"- one\n- two\n",
    "word.yaml": b"hello\n",
    "open.yaml": b"site: [",
    "tabs.yaml": b"site:\n\tx: 1\n",
    "twice.yaml": b"site: a\nsite: b\n",
    "deep.yaml": b"[" * 3000,
    "alias.yaml": b"a: &a [x, x]\nb: [*a, *a]\n",
    "real.yaml": REAL_JOB.encode(),
    "demo.yaml": DEMO_JOB.encode(),
    "none.sqlite": b"SQLite format 3\0 and then nothing",
    "empty.sqlite": b"",
    "folder/visit.sqlite": b"nothing at all",
    "export.jsonl": b'{"seq": 1}\n',
    "limits.yaml": b"ambient-co: 3\n",
    "shop/limits.yaml": b"ambient-co: {unit: ppm, high: nine, authority: generic, source: {mark: common practice}}\n",
    "shop-2/risks.yaml": b"risk: [\n",
    "shop-3/readme.txt": b"no data file\n",
    "there.html": b"somebody's own page",
    "there.csv": b"somebody's own table",
    "grammars/commands.jsgf": b"#JSGF V1.0; grammar x; public <a> = (b;\n",
}

RECORD, VISIT, AUDIO = "kept/visit.sqlite", "kept", "kept/visit.audio/0001.flac"
SOUND = str(FIXTURES / "gas-odour.flac")
BY = ("--by", "Sam Poe", "--why", "asked for")
NO_RECORD = "not a visit record|holds no visit record|no visit record"

# The words after `assistant`, and what its one sentence says.
CASES: list[tuple[str, str]] = [
    # the command itself
    ("nope", "No such command 'nope'.*--help"),
    ("visti", "Did you mean 'visit'"),
    ("--nope", "No such option: --nope"),
    ("--shop nope understand yes -q draft", "nope is not a folder"),
    ("--shop real.yaml understand yes -q draft", "real.yaml is not a folder"),
    ("--shop shop-3 understand yes -q draft", "holds none of a shop's files"),
    ("--shop shop understand yes -q draft", "limits.yaml, line 1, column .*: ambient-co.high: it must be a number"),
    ("--shop shop work-out", "limits.yaml, line 1"),
    ("--shop shop-2 understand yes -q draft", "risks.yaml, line"),
    ("--shop", "requires an argument"),
    # understand, hear
    ("understand yes", "--question NAME"),
    ("understand yes -q", "requires an argument"),
    ("understand yes -q nope", "'nope' is no question"),
    ("understand yes -q draft --nope", "No such option"),
    ("hear -q draft", "at least one recording"),
    ("hear nope.wav -q draft", "nope.wav is not there"),
    ("hear folder -q draft", "folder is a folder"),
    ("hear empty -q draft", "not sound or is damaged"),
    ("hear text.mp3 -q draft", "not sound or is damaged"),
    ("hear text.wav -q draft", "not sound or is damaged"),
    ("hear short.flac -q draft", "ends before the length|damaged"),
    ("hear voice.m4a -q draft", "MP4 container.*not supported.*WAV, FLAC"),
    ("hear voice.webm -q draft", "Matroska.*not supported"),
    ("hear voice.wma -q draft", "Windows Media.*not supported"),
    ("hear voice.amr -q draft", "AMR.*not supported"),
    ("hear voice.aac -q draft", "AAC.*not supported"),
    ("hear real.yaml -q draft", "not sound or is damaged"),
    (f"hear {SOUND}", "--question NAME"),
    (f"hear {SOUND} -q nope", "no question"),
    # visit
    ("visit --resume --set-up", "--resume alone"),
    ("visit --resume --job real.yaml", "--resume alone"),
    ("visit --resume --folder nope", "no unfinished visit in nope"),
    ("visit --resume --folder folder", "no unfinished visit"),
    (f"visit --job nope.yaml --from-audio {SOUND}", "nope.yaml does not exist"),
    (f"visit --job folder --from-audio {SOUND}", "folder is a folder; name a file"),
    (f"visit --job empty.yaml --from-audio {SOUND}", "empty.yaml is empty"),
    (f"visit --job utf-16.yaml --from-audio {SOUND}", "not text in UTF-8; save it"),
    (f"visit --job latin-1.yaml --from-audio {SOUND}", "not text in UTF-8; save it"),
    (f"visit --job zeros.yaml --from-audio {SOUND}", "not YAML"),
    (f"visit --job list.yaml --from-audio {SOUND}", "list.yaml, line 1, column 1"),
    (f"visit --job word.yaml --from-audio {SOUND}", "keys of its own"),
    (f"visit --job open.yaml --from-audio {SOUND}", "line 1, column 8: this is not YAML"),
    (f"visit --job tabs.yaml --from-audio {SOUND}", "line 2, column 1: this is not YAML"),
    (f"visit --job twice.yaml --from-audio {SOUND}", "line 2.*duplicate"),
    (f"visit --job deep.yaml --from-audio {SOUND}", "too deep|not YAML"),
    (f"visit --job alias.yaml --from-audio {SOUND}", "refers to another part of itself"),
    (f"visit --job demo.yaml --from-audio {SOUND}", "line 2, column 1: invented: only the jobs of the demo"),
    (f"visit --job demo.yaml --set-up --from-audio {SOUND}", "line 2, column 1: invented"),
    (f"visit --job {RECORD} --from-audio {SOUND}", "not text in UTF-8|not YAML"),
    ("visit --job real.yaml --from-audio nope.flac", "nope.flac is not there"),
    ("visit --job real.yaml --from-audio empty", "not sound or is damaged"),
    ("visit --job real.yaml --from-audio voice.m4a", "not supported"),
    ("visit --job real.yaml --from-audio folder", "is a folder"),
    (f"visit --job real.yaml --from-audio {SOUND} --folder empty", "cannot be made"),
    (f"visit --job real.yaml --from-audio {SOUND} --folder demo", "demo is the folder of a demo"),
    ("visit --job real.yaml --tail 9", "--tail.*less than or equal to 3"),
    ("visit --job real.yaml --tail much", "--tail"),
    ("visit --job real.yaml --quiet 1", "--quiet"),
    ("visit --job real.yaml --voice mine", "'mine' is not one of 'bundled', 'system'"),
    ("visit stray", "unexpected|Got"),
    # demo
    ("demo nope", "no demo called 'nope'; there is: hot-surface-brief"),
    ("demo --folder empty", "cannot be made"),
    (f"demo --folder {VISIT}", "holds a visit that is no demo"),
    ("demo --folder folder", "holds a visit that is no demo"),
    ("demo --voice mine", "not one of"),
    # job
    ("job nope", "No such command"),
    ("job new there.html", "there.html is there already.*--force"),
    (f"job new {RECORD}", "file of a visit"),
    (f"job new {RECORD} --force", "file of a visit"),
    (f"job new {AUDIO} --force", "file of a visit"),
    ("job new kept/visit.seal.jsonl", "file of a visit"),
    ("job new folder", "folder is not a file"),
    ("job new new.yaml --ask", "no answer to read"),
    ("job new nowhere/job.yaml", "could not be written"),
    ("job check", "Missing argument"),
    ("job check nope.yaml", "does not exist"),
    ("job check folder", "is a folder"),
    ("job check utf-16.yaml", "UTF-8"),
    ("job check open.yaml", "line 1, column 8"),
    # visits
    ("visits --keep-in empty", "cannot be made"),
    ("visits --nope", "No such option"),
    # report
    ("report", "Missing argument"),
    ("report nope", "There is no visit record nope"),
    ("report empty", NO_RECORD),
    ("report none.sqlite", NO_RECORD),
    ("report folder", NO_RECORD),
    ("report grammars", "holds no visit record"),
    (f"report {VISIT} --html {RECORD}", "file of a visit"),
    (f"report {VISIT} --html {RECORD} --force", "file of a visit"),
    (f"report {VISIT} --pdf {RECORD}", "file of a visit"),
    (f"report {VISIT} --html {AUDIO}", "file of a visit"),
    (f"report {VISIT} --html kept/visit.sqlite-wal", "file of a visit"),
    (f"report {VISIT} --html kept/visit.lock", "file of a visit"),
    (f"report {VISIT} --html link.sqlite --force", "file of a visit"),
    (f"report {VISIT} --html there.html", "there already.*--force"),
    (f"report {VISIT} --pdf there.html", "there already.*--force"),
    (f"report {VISIT} --html folder", "not a file"),
    (f"report {VISIT} --html nowhere/x.html", "could not be written"),
    (f"report {VISIT} --pdf nowhere/x.pdf", "could not be written"),
    # replay
    ("replay nope", "no visit record"),
    ("replay folder", NO_RECORD),
    ("replay empty", NO_RECORD),
    (f"replay {VISIT} --fast", "--fast.*--aloud"),
    (f"replay {VISIT} --model nope", "no model nope"),
    (f"replay {VISIT} --grammar nope", "holds no grammars"),
    (f"replay {VISIT} --grammar real.yaml", "holds no grammars"),
    (f"replay {VISIT} --grammar grammars", "commands.jsgf"),
    (f"replay {VISIT} --limits nope", "does not exist"),
    (f"replay {VISIT} --limits folder", "is a folder"),
    (f"replay {VISIT} --limits list.yaml", "list.yaml, line 1"),
    (f"replay {VISIT} --limits word.yaml", "word.yaml, line 1"),
    (f"replay {VISIT} --limits limits.yaml", "limits.yaml, line 1, column 1: ambient-co"),
    (f"replay {VISIT} --job open.yaml", "not YAML"),
    (f"replay {VISIT} --job list.yaml", "list.yaml, line 1"),
    # record
    ("record nope", "No such command"),
    ("record verify nope", "There is no visit record nope"),
    ("record verify grammars", "holds no visit record"),
    ("record verify empty", "not a visit record"),
    (f"record verify {VISIT} --head xyz", "'xyz' is no head"),
    (f"record verify {VISIT} --store nope.sqlite", "no store nope.sqlite"),
    ("record seal nope", "no visit record"),
    (f"record seal {VISIT}", "has not ended"),
    ("record export nope", "no visit record"),
    (f"record export {VISIT} --format xml", "'xml' is not one of"),
    (f"record export {VISIT} --out {RECORD}", "file of a visit"),
    (f"record export {VISIT} --out {RECORD} --force", "file of a visit"),
    (f"record export {VISIT} --out {AUDIO} --force", "file of a visit"),
    (f"record export {VISIT} --out kept/visit.seal.jsonl", "file of a visit"),
    (f"record export {VISIT} --out there.csv --format csv", "there already.*--force"),
    (f"record export {VISIT} --out folder", "not a file"),
    (f"record export {VISIT} --out nowhere/x", "could not be written"),
    ("record erase-audio nope --by Sam --why x", "no visit record"),
    ("record erase-audio empty --by Sam --why x", NO_RECORD),
    ("record erase-audio folder --by Sam --why x", NO_RECORD),
    ("record erase-audio grammars --by Sam --older-than 3", NO_RECORD),
    (f"record erase-audio {VISIT}", "Missing option '--by'"),
    (f"record erase-audio {VISIT} --by Sam", "reason with --why"),
    (f"record erase-audio {VISIT} --by Sam --why x", "nobody has reviewed it"),
    (f"record erase-audio {VISIT} --by Sam --older-than -1", "older-than"),
    (f"record erase-audio {VISIT} --by Sam --why x --store nope", "no store nope"),
    # shop
    ("shop nope", "No such command"),
    ("shop send nope --store new.sqlite", "no visit record nope"),
    ("shop send folder --store new.sqlite", NO_RECORD),
    ("shop send nope --store odd://x", "SQLite file or a PostgreSQL address"),
    (f"shop send {VISIT} --store {RECORD}", "is no store"),
    (f"shop send {VISIT} --store folder", "does not answer|no store"),
    (f"shop send {VISIT} --store none.sqlite", "does not answer|no store"),
    (f"shop send {VISIT} --store empty.sqlite", "empty.sqlite is an empty file and no store; delete it, or name"),
    ("shop verify --store empty.sqlite", "empty.sqlite is an empty file and no store; delete it, or name"),
    ("shop receive", "Missing argument"),
    ("shop receive nope --store new.sqlite", "no visit record"),
    ("shop receive export.jsonl --store new.sqlite", "export"),
    ("shop receive nope.jsonl --store new.sqlite", "cannot be read"),
    ("shop pending --folder nope --store new.sqlite", "no store|no visit record"),
    ("shop verify --store nope.sqlite", "no store nope.sqlite"),
    (f"shop verify --store {RECORD}", "is no store"),
    ("shop backup new --store nope.sqlite", "no store"),
    (f"shop backup {RECORD} --store shop.sqlite", "exists already"),
    ("shop backup nowhere/x --store shop.sqlite", "cannot be"),
    ("shop restore nope --store new.sqlite", "no backup nope"),
    ("shop restore empty --store new.sqlite", "no checksum"),
    (f"shop restore empty --store {RECORD}", "no checksum"),
    # models
    ("models nope", "No such command"),
    ("models fetch nope", "not a known model"),
    ("models fetch field_model", "already here"),
    ("models add nope", "does not exist"),
    ("models add folder", "not a model"),
    ("models add empty", "cannot be unpacked"),
    ("models add text.wav", "cannot be unpacked"),
    ("models add empty --name ../x", "cannot name a model"),
    ("models verify nope", "no model nope"),
    ("models remove nope --yes", "no model nope"),
    ("models remove nope", "no answer to read"),
    ("models remove field_model --yes", "comes with the assistant and stays"),
    ("models use nope", "no model nope"),
    # page
    ("page --folder nope", "no folder nope"),
    ("page --folder empty", "no folder empty"),
    ("page --store nope.sqlite", "no store"),
    ("page --host 0.0.0.0", "--name"),
    (f"page --folder {VISIT} --host not.a.host.example", "cannot be served"),
    ("page --port 99999", "65535"),
    ("page --port x", "--port"),
    # check-procedure, self-check, work-out
    ("check-procedure", "Missing argument"),
    ("check-procedure nope.yaml", "nope.yaml does not exist"),
    ("check-procedure folder", "folder is"),
    ("self-check --nope", "No such option"),
    ("self-check --microphone desk", "add --listen"),
    ("self-check --phone-address localhost", "only with --phone"),
    ("work-out nope", "cannot be worked out; what can be"),
    ("work-out input-rate", "also needs"),
    ("work-out input-rate x", "not KEY=VALUE"),
    ("work-out input-rate seconds=", "not KEY=VALUE"),
    ("work-out input-rate seconds=1 seconds=2", "key of its own"),
    ("work-out input-rate a=b", "takes no a"),
    ("work-out co-air-free co_ppm=abc", "must be a number|also needs"),
    ("work-out input-rate seconds=-3 dial_ft3=1 heating_value=1000", "seconds"),
    ("work-out input-rate seconds=nan dial_ft3=1 heating_value=1000", "seconds"),
]

# In the demo's job, what is put for what, and where and how it is told; LINE is that of what was changed.
WRONG_JOBS: list[tuple[str, str, str]] = [
    ("site:", "sight:", "line LINE, column 1: sight: no such key"),
    (
        "site: 14 Example Lane, basement (invented)",
        "site: 42",
        "line LINE, column 1: site: it must be text",
    ),
    ("site: 14 Example Lane, basement (invented)", "site:", "site: it is missing"),
    ("visit: yearly check", "visit: repair", "line LINE.*visit: it must be 'yearly check', 'no heat'"),
    ("fuel: natural gas", "fuel: coal", "line LINE.*appliance.fuel: it must be 'natural gas' or 'LP'"),
    ("fuel: natural gas", "fuel: [LP]", "appliance.fuel"),
    ("ignition: hot surface", "ignition: match", "line LINE.*no ignition system 'match'; the table has"),
    ("silicon carbide", "iron", "igniter_material"),
    ("[pressure switch, limit", "[pressure swich, limit", "appliance.fitted.0: it must be"),
    ("fitted: [pressure switch, limit switch, rollout switch]", "fitted: pressure switch", "fitted: it must be a list"),
    ("technician: {name: Sam Doe (invented), licence: invented licence 000}", "technician: Jo", "below it: name"),
    ("technician: {name: Sam Doe (invented), licence: invented licence 000}", "technician: {}", "technician.name"),
    ("helper: {name: Kim Roe (invented)}", "helper: {nam: Kim}", "helper.nam: no such key"),
    ("value: 80000", "value: 90,000", "line LINE.*input-rate: write a number without a comma"),
    ("value: 80000", 'value: "90,000"', "input-rate.value: it must be a number"),
    ("value: 80000", "value: 80 MBH", "input-rate.value: it must be a number"),
    ("value: 80000", "value: 9e10", "line LINE.*input-rate.value: 90000000000 Btu/h cannot be; it is from 10000 to"),
    ("value: 80000", "value: -80000", "input-rate.value: -80000 Btu/h cannot be"),
    ("value: 80000", "value: .nan", "input-rate.value: it must be a number"),
    ("value: 80000", "value: .inf", "input-rate.value: it must be a number"),
    ("value: 80000", "value: [1]", "input-rate.value"),
    ("value: 80000", "value: true", "input-rate.value"),
    ("{value: 80000, unit: Btu_per_hour}", "80000", "input-rate: it has keys of its own, below it: unit"),
    ("{value: 80000, unit: Btu_per_hour}", "{value: 80000}", "input-rate.unit: it is missing"),
    (
        "{value: 80000, unit: Btu_per_hour}",
        "{value: 23.4, unit: volt}",
        "input-rate is a heat rate, as in Btu",
    ),
    ("{value: 3.5, unit: inH2O}", "{value: 3.5, unit: volt}", "line LINE, column 35: volt is a voltage, and manifold"),
    ("{value: 3.5, unit: inH2O}", "{value: -10, unit: inH2O}", "manifold-pressure.value: -10 inH2O cannot be"),
    ("{value: 3.5, unit: inH2O}", "{value: 3.5, unit: furlong}", "'furlong' is not a known unit"),
    ("{value: 3.5, unit: inH2O}", "{value: 900, unit: psi}", "manifold-pressure.value"),
    ("{value: 3.5, unit: inH2O}", "{unit: inH2O}", "give either value, or low and high"),
    ("{value: 3.5, unit: inH2O}", "{value: 3, low: 2, unit: inH2O}", "give either value, or low and high"),
    ("{value: 3.5, unit: inH2O}", "{value: 3.5, tolerance: -1, unit: inH2O}", "tolerance"),
    ("{low: 40, high: 70, unit: delta_degF}", "{low: 70, high: 40, unit: delta_degF}", "low is above high"),
    (
        "{low: 40, high: 70, unit: delta_degF}",
        "{low: 40, high: 70, unit: °F}",
        "degF is a temperature, and temp",
    ),
    ("{low: 45, high: 90, unit: ohm}", "{low: -45, high: 90, unit: ohm}", "igniter-resistance.low: -45 ohm cannot be"),
    ("igniter-resistance: {low", "igniter-ohms: {low", "line LINE, column 3: 'igniter-ohms', which is not a quantity"),
    ("heating_value_btu_ft3: 1030", "heating_value_btu_ft3: 0", "heating_value_btu_ft3"),
    ("heating_value_btu_ft3: 1030", "heating_value_btu_ft3: 38", "gas.heating_value_btu_ft3: 38.* cannot be"),
    ("dial_ft3: 0.5", "dial_ft3: -1", "gas.dial_ft3"),
    ("dial_ft3: 0.5", "dial_ft3: 500", "gas.dial_ft3: 500.* cannot be"),
    ("gas: {heating", "gass: {heating", "gass: no such key"),
    ("measures: [line-voltage, neutral", "measures: [line-volts, neutral", "'line-volts', which is not a quantity"),
    ("measures: [flame-signal]", "measures: [manifold-pressure]", "microampere is a current, and manifold-pressure is"),
    ("counts: 3, resolution: 0.1, unit: volt", "counts: -3, resolution: 0.1, unit: volt", "cannot be below zero"),
    ("counts: 3, resolution: 0.1, unit: volt", "counts: 3, resolution: 0, unit: volt", "resolution"),
    ("    low: -60\n", "    low: 90\n", "low is above high"),
    ("lead_zero: 0.3", "lead_zero: -1", "lead_zero is below zero"),
    ("lead_zero: 0.3", "lead_zero: little", "lead_zero: it must be a number"),
    ("  - name: multimeter, ohms (invented)\n", "  - nme: x\n", "meters.1.nme: no such key"),
    ("gas: {", "previous: {flame-signal: -3}\ngas: {", "previous.flame-signal: -3 µA cannot be"),
    ("gas: {", "previous: {flame: 3}\ngas: {", "'flame', which is not a quantity"),
    ("gas: {", "pace: slow\ngas: {", "pace: it must be 'brief' or 'full'"),
]


@pytest.fixture(scope="module")
def desk(tmp_path_factory):
    """A folder with a visit, a demo, a shop's store and files of all kinds."""
    desk = tmp_path_factory.mktemp("desk")
    for name, content in FILES.items():
        (desk / name).parent.mkdir(exist_ok=True)
        (desk / name).write_bytes(content)
    real = scripted_visits.demo_job().model_copy(update={"invented": False})
    scripted_visits.visit(desk / "kept", job=real, most=12)
    scripted_visits.visit(desk / "demo", most=3)
    Store.open(str(desk / "shop.sqlite"), make=True).close()
    (desk / "link.sqlite").symlink_to(desk / RECORD)
    return desk


def contents(folder: Path) -> dict[str, str]:
    """What lies in a folder: the digest of each file."""
    files = [path for path in sorted(folder.rglob("*")) if path.is_file() and not path.name.endswith((".lock", "-shm"))]
    files = [path for path in files if path.stat().st_size or not path.name.endswith("-wal")]  # SQLite's, of a reader
    return {str(path.relative_to(folder)): hashlib.sha256(path.read_bytes()).hexdigest() for path in files}


@pytest.fixture
def at_desk(desk, run, monkeypatch, tmp_path):
    """Runs a command line at the desk, with a home of its own; nothing there may change."""
    monkeypatch.chdir(desk)
    monkeypatch.setenv("COLUMNS", "300")
    for name in ("HOME", "XDG_CONFIG_HOME", "XDG_DATA_HOME"):
        monkeypatch.setenv(name, str(tmp_path))

    def command(words: list[str]) -> tuple[int, str, str]:
        before = contents(desk)
        got = run(*words)
        after = contents(desk)
        assert {name: after.get(name) for name in before} == before
        return got

    return command


def test_there_are_enough_cases_and_every_command_is_among_them():
    assert len({words for words, _ in CASES}) + len(set(WRONG_JOBS)) >= 200
    commands = {name for group in cli.COMMANDS.values() for name in group}
    assert commands == {words.split()[0] for words, _ in CASES} & commands


@pytest.mark.parametrize(("words", "says"), CASES, ids=[words[-60:] for words, _ in CASES])
def test_bad_input_is_one_sentence(at_desk, words, says):
    status, out, err = at_desk(words.split())
    assert status == 2
    assert "Traceback" not in out + err
    assert err.count("\n") == 1, err
    assert re.search(says, err), err


@pytest.mark.parametrize(("old", "new", "says"), WRONG_JOBS, ids=[f"{new} {says}"[:60] for _, new, says in WRONG_JOBS])
def test_a_wrong_job_is_told_with_line_and_column_and_begins_no_visit(at_desk, tmp_path, old, new, says):
    assert REAL_JOB.count(old) == 1 or old in ("silicon carbide", "site:")
    (tmp_path / "job.yaml").write_text(REAL_JOB.replace(old, new, 1), encoding="utf-8")
    says = says.replace("LINE", f"{REAL_JOB[: REAL_JOB.index(old)].count(chr(10)) + 1}")
    status, out, err = at_desk(["job", "check", str(tmp_path / "job.yaml")])
    assert (status, err) == (1, "")
    flaws = [line for line in out.splitlines() if not line.startswith("The visit can ask for it by voice")]
    assert all(re.match(r".*job\.yaml, line \d+, column \d+: ", line) for line in flaws)
    assert re.search(says, out), out
    status, out, err = at_desk(["visit", "--job", str(tmp_path / "job.yaml"), "--from-audio", SOUND, "--folder", "v"])
    assert (status, err.count("\n")) == (2, 1)
    assert re.match(r"Problem: .*job\.yaml, line \d+, column \d+: ", err)
    assert not Path("v").exists()


def test_all_that_is_wrong_in_a_job_is_told_at_once(at_desk, tmp_path):
    text = REAL_JOB.replace("fuel: natural gas", "fuel: coal").replace("value: 3.5, unit", "value: -1, unit")
    (tmp_path / "job.yaml").write_text(text.replace("dial_ft3: 0.5", "dail: 0.5"), encoding="utf-8")
    _, out, _ = at_desk(["job", "check", str(tmp_path / "job.yaml")])
    told = [re.search(r"line (\d+), column (\d+): ([\w.-]+)", line)[3] for line in out.splitlines()]
    assert told == ["gas.dail", "appliance.fuel", "gas.dial_ft3", "manifold-pressure.value"]


@pytest.mark.parametrize("words", ["report kept --html there.html", "record export kept --out there.csv --format csv"])
def test_force_writes_over_what_is_there(desk, run, monkeypatch, words):
    monkeypatch.chdir(desk)
    name = re.search(r"there\.\w+", words)[0]
    before, kept = Path(name).read_bytes(), contents(desk / "kept")
    try:
        assert run(*words.split(), "--force")[0] == 0
        assert Path(name).read_bytes() != before
        assert not {name: digest for name, digest in kept.items() if contents(desk / "kept").get(name) != digest}
    finally:
        Path(name).write_bytes(before)
        (desk / "kept" / "visit.reports.txt").unlink(missing_ok=True)


def test_a_file_that_cannot_be_written_is_left_as_it_was(desk, run, monkeypatch):
    monkeypatch.chdir(desk)

    def full(_: int) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("os.fsync", full)
    status, _, err = run("record", "export", "kept", "--out", "there.csv", "--force")
    assert (status, err.count("\n")) == (2, 1)
    assert "No space left on device; free some space" in err
    assert Path("there.csv").read_bytes() == FILES["there.csv"]
    assert run("record", "export", "kept", "--out", "new.csv")[0] == 2
    assert not Path("new.csv").exists()


KEYS = [*Job.model_fields, "name", "unit", "value", "low", "high", "measures", "accuracy", "manifold-pressure", "fuel"]
ANYTHING = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=12),
    lambda inner: (
        st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=8) | st.sampled_from(KEYS), inner, max_size=4)
    ),
    max_leaves=12,
)


@settings(suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow], deadline=None)
@given(job=st.dictionaries(st.sampled_from(KEYS), ANYTHING, max_size=6))
def test_any_job_is_read_or_told_what_is_wrong(tmp_path, job):
    """Made up in the shape of a job file: all that is wrong has a place in the file and one line."""
    from ruamel.yaml import YAML

    path = tmp_path / "job.yaml"
    with path.open("w", encoding="utf-8") as file:
        YAML(typ="safe", pure=True).dump(job, file)
    _told(path)


@settings(suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow], deadline=None)
@given(at=st.integers(0, len(REAL_JOB) - 1), put=st.text(max_size=6), cut=st.integers(0, 20))
def test_a_job_with_a_slip_of_the_keys_is_read_or_told_what_is_wrong(tmp_path, at, put, cut):
    path = tmp_path / "job.yaml"
    path.write_text(REAL_JOB[:at] + put + REAL_JOB[at + cut :], encoding="utf-8", errors="surrogatepass")
    _told(path)


def _told(path: Path) -> None:
    try:
        told = [str(flaw) for flaw in flaws_in_job(path)]
    except Problem as problem:
        told = [str(problem)]
    for line in told:
        assert line.startswith(str(path))
        assert "\n" not in line
        assert "pydantic" not in line


def test_the_record_of_the_desk_is_whole(desk):
    with Record.open(desk / RECORD, read_only=True) as record:
        assert record.verify() == []
