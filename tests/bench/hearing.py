"""How well the assistant hears: value accuracy, wrong values taken, needless asks, false readings, speed and size.

    python tests/bench/hearing.py [--speech FOLDER] [--sample N] [--model FOLDER] [--only PART]

Every clip is heard at the question that it answers and goes through the assistant's own dialogue, so "taken" and
"asked" are what a visit would do. A reading that the words leave open ("four fifty") is not counted. Rates stand as
count of total, share, and the one-sided 95 % bound of Clopper and Pearson (1934).

--sample N hears every N-th clip of each set. Without the recordings of people only the synthetic part is printed.
Nothing is tuned on what is heard here. The voices of Kokoro need `make kokoro`; what they have said once is kept in
build/hearing.
"""

from __future__ import annotations

import argparse
import importlib.util
import json
import multiprocessing
import platform
import resource
import shutil
import subprocess
import sys
import time
from collections import Counter
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from functools import cache
from pathlib import Path
from random import Random

import numpy as np
import soundfile
from rapidfuzz.distance import Levenshtein

from assistant.dialogue.events import Said
from assistant.dialogue.machine import Dialogue
from assistant.dialogue.state import Candidate, Confirming, Hand, Phase, Rules, State
from assistant.files import library, read_job, top_folder
from assistant.language.meaning import Command, Meaning, Question, Reading, Unclear
from assistant.language.phrases import Expected
from assistant.speech.audio import FULL_SCALE, Audio, read_audio, resample, to_int16
from assistant.speech.ears import EDGE_S, hear_whole
from assistant.speech.levels import over_noise_db
from assistant.speech.recognizer import Recognizer, VoskRecognizer
from assistant.trade import units
from assistant.trade.procedures import Step

ROOT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT / "audio_fixtures"))
sys.path.insert(0, str(ROOT / "tests" / "bench"))
from furnace_noise import active_power, make_noise, mean_power, snr_gain  # noqa: E402 - it lies beside the fixtures
from spoken_readings import DIGITS, rare_readings, same_kind, visit_readings  # noqa: E402 - it lies beside this file

CONDITIONS: tuple[int | None, ...] = (None, 20, 10, 5)  # decibels of speech over blower noise; None: as recorded
FEWER: tuple[int | None, ...] = (None, 10)  # of the sets that the room's curve does not rest on
LEAD_S, TAIL_S = 0.5, 0.5  # noise before and after the speech
VISIT, RARE = 40, 20  # readings of each voice: as a visit holds them, of every form
SEED = 2026
# What no training heard: the four voices that models_manifest/build/voices.py keeps out, and two more.
VOICES = ("kokoro:am_onyx", "kokoro:af_river", "kokoro:bm_daniel", "flite:slt", "flite:awb", "pico:en-GB")
PACES = {"slow": 0.8, "as it is": 1.0, "fast": 1.2}
AT_A_WORD = "igniter-resistance"  # the question that any single number answers
AT_A_CHECK = "flame"  # a question that yes and no answer
KEPT_ASIDE, KEPT_SEED = 15, 7  # of ../shared/speech/train, as models_manifest/build/train.py keeps them aside
MADE = ROOT / "build" / "hearing"
KOKORO, MODEL_PYTHON = ROOT / "build" / "kokoro", ROOT / "build" / "model-venv" / "bin" / "python"
A_VISIT, RARER = "readings of a visit, voices", "rare forms, voices"
COMMANDS_AT = {"check": "yes, no, stop at a check, people", "reading": "yes, no, stop at a reading, people"}
STOP_SPOKEN = "stop while the voice speaks, people"
OUTSIDE_AT = ("igniter-resistance", "manifold-pressure", "flame-signal", "flue-co", "line-voltage")
SPEED_S = 60  # seconds of sound that speed is measured on


@dataclass(frozen=True)
class Clip:
    """A recording, the words said in it, and the question (a quantity's name) that they answer."""

    part: str  # the row of the table that it counts in
    path: Path
    text: str
    question: str


@dataclass(frozen=True)
class Outcome:
    """What became of a clip in one condition.

    right: the value (or the command) is the one said; None: not understood. command: a command was heard.
    asked: why a yes was asked, or "". always: DESIGN 3 (a) demands a yes at this question.
    """

    part: str
    snr: int | None
    right: bool | None
    command: bool
    asked: str
    always: bool
    text: str
    heard: str
    cpu_s: float
    seconds: float
    question: str
    others: tuple[tuple[str, float], ...]  # the close alternatives, each with how much worse it fits


# --- what is heard ---------------------------------------------------------------------------


def question_for(text: str) -> str | None:
    """The quantity that a reading with a unit answers, in the demo's job with its meters: the narrowest span that
    holds it."""
    fitting = []
    for quantity in library().quantities.values():
        meaning = library().language.understand(text, asked(quantity.name))
        if isinstance(meaning, Reading) and same_kind(meaning.unit, quantity.unit):
            fitting.append((quantity.high - quantity.low, quantity.confirm is not None, quantity.name))
    return min(fitting)[2] if fitting else None


def single(text: str) -> str | None:
    """The question that a word said alone answers, if it is an answer at all."""
    quantity = library().quantities[AT_A_WORD]
    meaning = library().language.understand(text, Question(quantity.name, quantity))
    return AT_A_WORD if isinstance(meaning, Reading | Command) else None


def people(speech: Path) -> Iterator[Clip]:
    """The recordings of people that are answers."""
    for path, text in _table(speech / "measure.tsv"):
        kind = Path(path).parent.name
        if kind == "fsdd":
            yield Clip("digits, 8 kHz", speech / path, text, AT_A_WORD)
        elif kind == "prompt_voice" and (at := single(text)):
            yield Clip("single words", speech / path, text, at)
        elif kind == "prompt_voice_joined" and (at := question_for(text)):
            yield Clip("joined readings", speech / path, text, at)
    for path, text in kept_aside(speech):
        if text in ("yes", "no", "stop"):
            yield Clip(COMMANDS_AT["check"], speech / path, text, AT_A_CHECK)
            yield Clip(COMMANDS_AT["reading"], speech / path, text, AT_A_WORD)
            if text == "stop":
                yield Clip(STOP_SPOKEN, speech / path, text, "")
        elif single(text):
            yield Clip("digits, people kept aside", speech / path, text, AT_A_WORD)


def kept_aside(speech: Path) -> list[tuple[str, str]]:
    """(file, words) of the people that no training of the bundled model heard."""
    rows = [line.split("\t") for line in (speech / "train.tsv").read_text(encoding="utf-8").splitlines()[1:]]
    names = sorted({row[2] for row in rows})
    Random(KEPT_SEED).shuffle(names)
    aside = set(names[:KEPT_ASIDE])
    return [(row[0], row[1]) for row in rows if row[2] in aside]


def _table(path: Path) -> list[tuple[str, str]]:
    rows = [line.split("\t") for line in path.read_text(encoding="utf-8").splitlines()[1:]]
    return [(row[0], " ".join(row[1].lower().replace(",", " ").split())) for row in rows]


def synthetic() -> tuple[list[Clip], list[str]]:
    """Readings by each voice that this machine has, as files; and what was left out."""
    clips: list[Clip] = []
    left_out: list[str] = []
    kokoro: list[dict[str, object]] = []
    for voice in VOICES:
        engine, name = voice.split(":")
        lacks = {
            "pico": "" if importlib.util.find_spec("py_nanotts") else "pip install py-nanotts",
            "flite": "" if shutil.which("flite") else "apt-get install flite",
            "kokoro": "" if MODEL_PYTHON.exists() and (KOKORO / "kokoro.onnx").exists() else "make kokoro",
        }[engine]
        if lacks:
            left_out.append(f"{voice} ({lacks})")
            continue
        draw = Random(f"{SEED} {voice}")
        drawn = [(A_VISIT, *each) for each in visit_readings(VISIT, draw)]
        drawn += [(RARER, *each) for each in rare_readings(RARE, draw)]
        for part, text, quantity in drawn:
            pace = draw.choice(list(PACES.values()))
            path = MADE / voice.replace(":", "-") / f"{text.replace(' ', '-')}-{pace}.wav"
            clips.append(Clip(part, path, text, quantity))
            if engine == "kokoro":
                kokoro.append({"voice": name, "text": spelled(text), "pace": pace, "path": str(path)})
            elif not path.exists():
                path.parent.mkdir(parents=True, exist_ok=True)
                say(voice, spelled(text), pace, path)
    if any(not Path(str(job["path"])).exists() for job in kokoro):
        jobs = MADE / "kokoro.json"
        jobs.write_text(json.dumps(kokoro), encoding="utf-8")
        build = ROOT / "models_manifest" / "build"
        subprocess.run([MODEL_PYTHON, build / "say.py", jobs, KOKORO], check=True, cwd=build)
    return clips, left_out


def spelled(text: str) -> str:
    """Words as a synthesizer is to be given them: single letters as letters, abbreviations letter by letter."""
    letters = {"psi": "P S I", "ppm": "P P M", "co": "C O"}
    return " ".join(letters.get(w, w.upper() if len(w) == 1 and w != "a" else w) for w in text.split())


def say(voice: str, text: str, pace: float, path: Path) -> None:
    """One utterance by a voice, at a pace above 1 faster, as a file."""
    engine, name = voice.split(":")
    if engine == "flite":
        stretch = f"duration_stretch={1 / pace}"
        subprocess.run(["flite", "-voice", name, "--setf", stretch, "-t", text, "-o", str(path)], check=True)
        return
    from py_nanotts import NanoTTS

    pcm = NanoTTS().speak(f'<speed level="{round(100 * pace)}">{text}</speed>', voice=name)
    soundfile.write(path, np.frombuffer(pcm, "<i2"), 16000)


def in_noise(audio: Audio, snr: int | None, seed: str) -> Audio:
    """The sound in blower noise. A recording of 8 kHz gets noise of 8 kHz, as its microphone would."""
    if snr is None:
        return audio
    rng = np.random.default_rng(abs(int.from_bytes(seed.encode(), "big")) % 2**63)
    lead, tail = (int(s * audio.rate_hz) for s in (LEAD_S, TAIL_S))
    speech = np.pad(audio.samples.astype(np.float32), (lead, tail))
    seconds = len(speech) / audio.rate_hz
    made = make_noise("blower", int(seconds * 16000) + 1600, rng) * 1000
    noise = resample(Audio(to_int16(made), 16000), audio.rate_hz).samples[: len(speech)].astype(np.float32)
    mixed = speech + noise * snr_gain(active_power(speech), mean_power(noise), snr)
    return Audio(to_int16(mixed / max(1.0, float(np.abs(mixed).max()) / (0.95 * FULL_SCALE))), audio.rate_hz)


# --- hearing it ------------------------------------------------------------------------------


@cache
def expected(name: str) -> Expected:
    """What a recognizer is told of the question for a quantity, or where none is asked."""
    return Expected(library().language, Question(name, library().quantities.get(name)))


@cache
def dialogue_at(name: str) -> Dialogue:
    """A dialogue whose only step asks for a quantity, with the limits, meters and plate of the demo's job."""
    shelf = library()
    rules: Rules = shelf.rules_for(read_job(top_folder("audio_fixtures") / "visits/hot-surface.job.yaml"))
    steps = (Step(id=name, title=name, say="Say the value.", kind="read", quantity=name),)
    return Dialogue(shelf.language, replace(rules, procedure=rules.procedure.model_copy(update={"steps": steps})))


def asked(name: str) -> Question:
    """The question for a quantity, as a visit asks it."""
    return dialogue_at(name).question(State(step=name, opened=True, hand=Hand(asked=True)))


def is_an_answer(clip: Clip) -> bool:
    """Whether a visit takes the words of a clip at its question at all: the job's meter must be able to show them."""
    if clip.question not in library().quantities:
        return True
    return not isinstance(library().language.understand(clip.text, asked(clip.question)), Unclear)


def outcome(clip: Clip, snr: int | None, recognizer: Recognizer) -> Outcome:
    """Hears a clip and does with it what a visit would."""
    audio = resample(in_noise(read_audio(clip.path), snr, clip.path.stem), recognizer.rate_hz)
    at = expected(clip.question)
    _ = at.phrases  # made ready before: a visit does that while it speaks
    began = time.process_time()
    heard, _ = hear_whole(recognizer, audio, at)
    cpu_s = time.process_time() - began
    language = library().language
    quantity = library().quantities.get(clip.question)
    right: bool | None = None
    asked = ""
    if clip.part == STOP_SPOKEN:
        meaning: Meaning = Command("stop") if language.urgent(heard.text) == "stop" else Unclear("not-understood")
        right = isinstance(meaning, Command) or None
    elif quantity is None:
        meaning = language.meaning(heard, at.question)
        right = meaning == language.understand(clip.text, at.question) if isinstance(meaning, Command) else None
    else:
        dialogue = dialogue_at(clip.question)
        asking = State(step=clip.question, opened=True, hand=Hand(asked=True))
        question = dialogue.question(asking)
        truth = language.understand(clip.text, question)
        meaning = language.meaning(language.weighed(heard, question), question)
        if isinstance(meaning, Command):
            right = meaning == truth
        elif isinstance(meaning, Reading):
            right = isinstance(truth, Reading) and _value(meaning, question) == _value(truth, question)
            state, _ = dialogue.step(asking, Said(heard, over_noise_db=over_noise_db(audio, heard.words)))
            if isinstance(state.at, Confirming) and isinstance(state.at.heard, Candidate):
                asked = state.at.heard.why
    return Outcome(
        part=clip.part,
        snr=snr,
        right=right,
        command=isinstance(meaning, Command),
        asked=asked,
        always=quantity is not None and quantity.confirm is not None,
        text=clip.text,
        heard=heard.text,
        cpu_s=cpu_s,
        seconds=audio.seconds + 2 * EDGE_S,
        question=clip.question,
        others=tuple((other.text, other.worse_by) for other in heard.alternatives),
    )


def _value(reading: Reading, question: Question) -> tuple[object, ...]:
    """The values of a reading in the unit asked, so that 4.7 k ohms are 4700 ohms."""
    assert question.quantity is not None
    unit = question.quantity.unit
    return tuple(
        v if isinstance(v, str) or not hasattr(v, "quantize") else units.convert(v, reading.unit, unit)
        for v in reading.values
    )


def hear_all(job: tuple[Path, list[Clip]]) -> list[Outcome]:
    """Hears clips in every condition; runs in a process of its own."""
    model, clips = job
    recognizer = VoskRecognizer(model)
    return [outcome(clip, snr, recognizer) for clip in clips for snr in conditions(clip.part)]


def conditions(part: str) -> tuple[int | None, ...]:
    """The noise in which a set is heard."""
    return CONDITIONS if part in (A_VISIT, "joined readings") else FEWER


def outside(job: tuple[Path, str, list[Path]]) -> tuple[str, Counter[str]]:
    """Hears speech in which nothing is a reading, at one question, in pieces as the ears would cut them."""
    model, name, files = job
    recognizer = VoskRecognizer(model)
    dialogue, at = dialogue_at(name), expected(name)
    grammar = library().grammar
    decoys = {w for rule in grammar.public["decoys"] for w in grammar.words(rule)}
    counts: Counter[str] = Counter()
    for path in files:
        audio = resample(read_audio(path), recognizer.rate_hz)
        heard, _ = hear_whole(recognizer, audio, at)
        counts["seconds"] += round(audio.seconds)
        counts["words"] += sum(w != "[unk]" for w in heard.text.split())
        counts["words but decoys"] += sum(w != "[unk]" and w not in decoys for w in heard.text.split())
        asking = State(step=name, opened=True, hand=Hand(asked=True))
        question = dialogue.question(asking)
        meaning = dialogue.language.meaning(dialogue.language.weighed(heard, question), question)
        if isinstance(meaning, Command):
            counts["commands"] += 1
        if isinstance(meaning, Reading):
            state, _ = dialogue.step(asking, Said(heard))
            counts["asked" if state.phase is Phase.CONFIRMING else "taken"] += 1
    return name, counts


def speed(job: tuple[Path, list[Clip]]) -> str:
    """Load time, real-time factor on one core and resident memory of a process that only listens."""
    model, clips = job
    began = time.perf_counter()
    recognizer = VoskRecognizer(model)
    load = time.perf_counter() - began
    at = expected(AT_A_WORD)
    _ = at.phrases
    spent = heard_s = 0.0
    for clip in clips:
        audio = resample(read_audio(clip.path), recognizer.rate_hz)
        began = time.process_time()
        hear_whole(recognizer, audio, at)
        spent += time.process_time() - began
        heard_s += audio.seconds + 2 * EDGE_S
        if heard_s > SPEED_S:
            break
    memory = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    size = sum(p.stat().st_size for p in model.rglob("*") if p.is_file()) / 1e6
    return (
        f"model {size:.1f} MB on disk, loads in {load:.2f} s; {spent / heard_s:.3f} times real time on one core "
        f"({heard_s:.0f} s of sound, phrase list and alternatives included); {memory:.0f} MB resident at most"
    )


# --- the tables ------------------------------------------------------------------------------


def rate(count: int, total: int) -> str:
    """A count of a total, its share and its upper 95 % bound."""
    if not total:
        return "-"
    return f"{count}/{total} {count / total:.1%} (≤ {upper_bound(count, total):.1%})"


def accuracy(count: int, total: int) -> str:
    """A count of right ones and its share; the bound is that of the errors."""
    if not total:
        return "-"
    return f"{count}/{total} {count / total:.1%} (errors ≤ {upper_bound(total - count, total):.1%})"


def upper_bound(count: int, total: int) -> float:
    """The one-sided 95 % bound of Clopper and Pearson (1934) on the share that a count of a total stands for."""
    from scipy.stats import binomtest  # a package of the benches alone: other benches import this file without it

    return float(binomtest(count, total, alternative="less").proportion_ci(0.95, method="exact").high)


def condition(snr: int | None) -> str:
    """A condition as the tables call it."""
    return "clean" if snr is None else f"{snr} dB"


VERDICTS = ("caution", "fail", "conditional-pass", "conditional-fail", "emergency")


def tables(found: list[Outcome]) -> Iterator[str]:
    """The lines of the tables, in Markdown."""
    yield "| set | noise | right at the first try |"
    yield "|---|---|---|"
    for part in dict.fromkeys(o.part for o in found):
        for snr in conditions(part):
            mine = [o for o in found if (o.part, o.snr) == (part, snr)]
            yield f"| {part} | {condition(snr)} | {accuracy(sum(o.right is True for o in mine), len(mine))} |"
    yield ""
    yield "At questions where DESIGN 3 (a) does not demand a yes anyway:"
    yield ""
    columns = ("set", "noise", "wrong, taken without an ask", "wrong, asked only for its verdict",
               "right, asked for how it was heard", "right, asked for its verdict")  # fmt: skip
    yield f"| {' | '.join(columns)} |"
    yield "|---" * len(columns) + "|"
    at_readings = [o for o in found if o.question in library().quantities and not o.always]
    for part in (EVERYTHING, *dict.fromkeys(o.part for o in at_readings)):
        for snr in CONDITIONS if part == EVERYTHING else conditions(part):
            mine = [o for o in at_readings if o.snr == snr and part in (o.part, EVERYTHING)]
            right = [o for o in mine if o.right and not o.command]
            wrong = [o for o in mine if o.right is False]
            taken = rate(sum(not o.asked and not o.command for o in wrong), len(mine))
            unsure = sum(bool(o.asked) and o.asked not in VERDICTS for o in right)
            yield (
                f"| {part} | {condition(snr)} | {taken} | {sum(o.asked in VERDICTS for o in wrong)} "
                f"| {rate(unsure, len(right))} | {rate(sum(o.asked in VERDICTS for o in right), len(right))} |"
            )
    yield ""
    yield f"{sum(o.command and not o.right for o in found)} readings or other commands were taken for a command."
    asked = Counter(o.asked for o in found if o.asked)
    yield "Why a yes was asked: " + ", ".join(f"{why} {n}" for why, n in asked.most_common()) + "."
    lost = Counter(
        (o.question, word)
        for o in found
        if "[unk]" in o.heard.split() and o.question in library().quantities
        for word in set(o.text.split()) - set(o.heard.split())
    )
    yield "Words that lost to [unk]: " + (
        ", ".join(f"{word!r} at {at} {n}" for (at, word), n in lost.most_common(12)) or "none"
    )
    yield f"{sum(o.cpu_s for o in found) / sum(o.seconds for o in found):.3f} times real time."


EVERYTHING = "all of these"


def digits_in_a_row(job: tuple[Path, Path, int | None]) -> str:
    """Word errors on ten-digit numbers of people. The text is the prompt: some said "double", or another number."""
    model, speech, snr = job
    recognizer = VoskRecognizer(model)
    draw = Random(SEED)
    said = [*DIGITS, "oh", "double"]
    loop = [" ".join(draw.choice(said) for _ in range(draw.randint(1, 10))) for _ in range(600)]
    wrong = total = whole = count = 0
    for path, text in _table(speech / "measure.tsv"):
        if Path(path).parent.name != "numbers":
            continue
        audio = resample(in_noise(read_audio(speech / path), snr, Path(path).stem), recognizer.rate_hz)
        hearing = recognizer.hearing_of(loop)
        edge = np.zeros(int(EDGE_S * audio.rate_hz), np.int16)
        for part in (edge, audio.samples, edge):
            hearing.accept(part)
        truth, heard = ([w.replace("oh", "zero") for w in t.split()] for t in (in_digits(text), hearing.finish().text))
        wrong, total = wrong + distance(truth, heard), total + len(truth)
        whole, count = whole + (truth == heard), count + 1
    errors = f"{wrong}/{total} {wrong / total:.1%}"
    return f"| ten-digit numbers, people, word loop | {condition(snr)} | {errors} | {accuracy(whole, count)} |"


def in_digits(text: str) -> str:
    """A number of figures as words."""
    return " ".join(DIGITS[int(c)] if c.isdigit() else c for c in text.replace(" ", "")) if text[0].isdigit() else text


def distance(one: list[str], other: list[str]) -> int:
    """Words to be put in, left out or changed to make one text the other."""
    return int(Levenshtein.distance(one, other))


def wrong_ones(found: Iterable[Outcome]) -> Iterator[str]:
    """Each wrong value that was taken without an ask."""
    for o in found:
        if o.right is False and not o.asked and not o.always:
            yield f"  {o.part}, {condition(o.snr)}: said {o.text!r}, heard {o.heard!r}"


def arguments() -> argparse.Namespace:
    """The command line."""
    ap = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    ap.add_argument("--speech", type=Path, default=ROOT.parent / "shared" / "speech", help="recordings of people")
    ap.add_argument("--sample", type=int, default=1, help="hear every N-th clip")
    ap.add_argument("--model", type=Path, default=top_folder("models_manifest") / "field_model")
    ap.add_argument("--processes", type=int, default=2)
    ap.add_argument("--only", default="", help="sets whose name holds this")
    ap.add_argument("--out", type=Path, help="also write every outcome there, as JSON")
    ap.add_argument("--wrong", action="store_true", help="list the wrong values that were taken")
    return ap.parse_args()


def main() -> None:
    """Runs the bench."""
    a = arguments()
    began = time.monotonic()
    print(f"{datetime.now(UTC):%Y-%m-%d}, {platform.machine()}, {multiprocessing.cpu_count()} cores, "
          f"every {a.sample}th clip, model {a.model.name}\n")  # fmt: skip
    clips, left_out = synthetic()
    for voice in left_out:
        print(f"Left out: the voice {voice}.")
    there = (a.speech / "measure.tsv").is_file()
    if there:
        clips = [*clips, *people(a.speech)]
    else:
        print(f"Left out: recordings of people; {a.speech} is not there. The synthetic part alone follows.")
    clips = [c for c in clips if a.only in c.part]
    answers = [c for c in clips if is_an_answer(c)]
    if len(answers) < len(clips):
        print(f"Left out: {len(clips) - len(answers)} readings that a meter of the demo's job cannot show.")
    clips = answers
    parts = dict.fromkeys(c.part for c in clips)
    chosen = [c for part in parts for c in [x for x in clips if x.part == part][:: a.sample]]
    spawn = multiprocessing.get_context("spawn")
    with spawn.Pool(1) as alone:
        print(alone.apply(speed, ((a.model, clips),)), "\n", flush=True)
    with spawn.Pool(a.processes) as pool:
        # By question, so that each process draws each question's phrases once.
        chosen.sort(key=lambda c: c.question)
        size = -(-len(chosen) // (4 * a.processes))
        jobs = [(a.model, chosen[i : i + size]) for i in range(0, len(chosen), size)]
        order = {part: i for i, part in enumerate(parts)}
        found = [o for part in pool.imap(hear_all, jobs, chunksize=1) for o in part]
        found.sort(key=lambda o: order[o.part])
        print("\n".join(tables(found)), "\n", flush=True)
        if a.wrong:
            print("\n".join(wrong_ones(found)), "\n")
        if a.out:
            a.out.write_text(json.dumps([vars(o) for o in found]), encoding="utf-8")
        if there and not a.only:
            print("| set | noise | word errors | whole numbers right |")
            print("|---|---|---|---|")
            for line in pool.imap(digits_in_a_row, [(a.model, a.speech, snr) for snr in FEWER]):
                print(line, flush=True)
            files = [a.speech / path for path, _ in _table(a.speech / "outside.tsv")][:: a.sample]
            print("\nSpeech in which nothing is a reading:\n")
            print("| question | minutes | readings taken | asked | commands | words an hour | but decoys |")
            print("|---|---|---|---|---|---|---|")
            work = [(a.model, q, files) for q in OUTSIDE_AT]
            for name, n in pool.imap(outside, work, chunksize=1):
                hours = n["seconds"] / 3600
                cells = [name, f"{hours * 60:.1f}", n["taken"], n["asked"], n["commands"]]
                words = [f"{n[kind] / hours:.0f}" for kind in ("words", "words but decoys")]
                print(f"| {' | '.join(map(str, [*cells, *words]))} |", flush=True)
    print(f"\nThe bench took {(time.monotonic() - began) / 60:.1f} minutes.")


if __name__ == "__main__":
    main()
