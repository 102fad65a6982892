"""How well the assistant hears: value accuracy, wrong values taken, needless asks, false readings, speed and size.

    python tests/bench/hearing.py [--speech FOLDER] [--sample N] [--model FOLDER]

Every clip is heard at the question that it answers and goes through the assistant's own dialogue, so "taken" and
"asked" are what a visit would do. A reading that the words leave open ("four fifty") is not counted. Rates stand as
count of total, share, and the one-sided 95 % bound of Clopper and Pearson (1934).

--sample N hears every N-th clip of each set. Without the recordings of people only the synthetic part is printed.
Nothing is tuned on what is heard here.
"""

from __future__ import annotations

import argparse
import importlib.util
import multiprocessing
import platform
import resource
import shutil
import subprocess
import sys
import tempfile
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
from scipy.stats import binomtest

from assistant.dialogue.events import Said
from assistant.dialogue.machine import Dialogue
from assistant.dialogue.state import Candidate, Confirming, Hand, Phase, Rules, State
from assistant.files import library, read_job, top_folder
from assistant.language.meaning import Command, Question, Reading
from assistant.language.phrases import Expected
from assistant.speech.audio import FULL_SCALE, Audio, read_audio, resample, to_int16
from assistant.speech.ears import EDGE_S, hear_whole
from assistant.speech.recognizer import Recognizer, VoskRecognizer
from assistant.trade import units
from assistant.trade.procedures import Step

ROOT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT / "audio_fixtures"))
from furnace_noise import active_power, make_noise, mean_power, snr_gain  # noqa: E402 - it lies beside the fixtures

CONDITIONS: tuple[int | None, ...] = (None, 20, 10, 5)  # decibels of speech over blower noise; None: as recorded
LEAD_S, TAIL_S = 0.5, 0.5  # noise before and after the speech
EACH = 60  # synthetic readings of each voice
SEED = 2026
# The voices of the synthetic part. The bundled network never heard the first three; it was trained on the last.
UNSEEN = ("pico:en-US", "pico:en-GB", "flite:awb")
SEEN = ("flite:slt",)
PACES = {"slow": 0.8, "as it is": 1.0, "fast": 1.2}
AT_A_WORD = "igniter-resistance"  # the question that any single number answers
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


# --- what is heard ---------------------------------------------------------------------------


def question_for(text: str) -> str | None:
    """The quantity that a reading with a unit answers: its own unit said, the narrowest span that holds it."""
    shelf = library()
    fitting = []
    for quantity in shelf.quantities.values():
        meaning = shelf.language.understand(text, Question(quantity.name, quantity))
        if isinstance(meaning, Reading) and _same(meaning.unit, quantity.unit):
            fitting.append((quantity.high - quantity.low, quantity.confirm is not None, quantity.name))
    return min(fitting)[2] if fitting else None


def _same(one: str, other: str) -> bool:
    """Whether a reading in one unit answers a question for the other: a rise is asked in differences of degrees."""
    return units.same_dimension(one, other) and one.startswith("delta") == other.startswith("delta")


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


def _table(path: Path) -> list[tuple[str, str]]:
    rows = [line.split("\t") for line in path.read_text(encoding="utf-8").splitlines()[1:]]
    return [(row[0], " ".join(row[1].lower().replace(",", " ").split())) for row in rows]


def texts(count: int, draw: Random) -> list[tuple[str, str]]:
    """Readings drawn from the grammar, one quantity after another: (words, quantity)."""
    shelf = library()
    quantities = list(shelf.quantities.values())
    found: list[tuple[str, str]] = []
    while len(found) < count:
        quantity = quantities[len(found) % len(quantities)]
        said = " ".join(shelf.grammar.sample("reading", draw.random).words)
        meaning = shelf.language.understand(said, Question(quantity.name, quantity))
        if isinstance(meaning, Reading) and _same(meaning.unit, quantity.unit):
            found.append((said, quantity.name))
    return found


def synthetic(folder: Path) -> tuple[list[Clip], list[str]]:
    """Readings by each voice that this machine has, as files in `folder`; and what was left out."""
    clips: list[Clip] = []
    left_out: list[str] = []
    for voice in (*UNSEEN, *SEEN):
        engine = voice.split(":")[0]
        lacks = {"pico": not importlib.util.find_spec("py_nanotts"), "flite": not shutil.which("flite")}[engine]
        if lacks:
            left_out.append(f"{voice} ({'pip install py-nanotts' if engine == 'pico' else 'apt-get install flite'})")
            continue
        draw = Random(f"{SEED} {voice}")
        part = "synthetic, voices not trained on" if voice in UNSEEN else "synthetic, a voice trained on"
        for number, (text, quantity) in enumerate(texts(EACH, draw)):
            path = folder / f"{voice.replace(':', '-')}-{number:03}.wav"
            say(voice, spelled(text), draw.choice(list(PACES.values())), path)
            clips.append(Clip(part, path, text, quantity))
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
    """What a recognizer is told of the question for a quantity."""
    return Expected(library().language, Question(name, library().quantities[name]))


@cache
def dialogue_at(name: str) -> Dialogue:
    """A dialogue whose only step asks for a quantity, with the limits, meters and plate of the demo's job."""
    shelf = library()
    rules: Rules = shelf.rules_for(read_job(top_folder("audio_fixtures") / "visits/hot-surface.job.yaml"))
    steps = (Step(id=name, title=name, say="Say the value.", kind="read", quantity=name),)
    return Dialogue(shelf.language, replace(rules, procedure=rules.procedure.model_copy(update={"steps": steps})))


def outcome(clip: Clip, snr: int | None, recognizer: Recognizer) -> Outcome:
    """Hears a clip and does with it what a visit would."""
    audio = resample(in_noise(read_audio(clip.path), snr, clip.path.stem), recognizer.rate_hz)
    at = expected(clip.question)
    _ = at.phrases  # made ready before: a visit does that while it speaks
    began = time.process_time()
    heard, _ = hear_whole(recognizer, audio, at)
    cpu_s = time.process_time() - began
    dialogue = dialogue_at(clip.question)
    asking = State(step=clip.question, opened=True, hand=Hand(asked=True))
    question = dialogue.question(asking)
    assert question.quantity is not None
    truth = library().language.understand(clip.text, question)
    meaning = library().language.understand(heard.text, question)
    right: bool | None = None
    asked = ""
    if isinstance(meaning, Command):
        right = meaning == truth
    elif isinstance(meaning, Reading):
        right = isinstance(truth, Reading) and _value(meaning, question) == _value(truth, question)
        state, _ = dialogue.step(asking, Said(heard))
        if isinstance(state.at, Confirming) and isinstance(state.at.heard, Candidate):
            asked = state.at.heard.why
    return Outcome(
        part=clip.part,
        snr=snr,
        right=right,
        command=isinstance(meaning, Command),
        asked=asked,
        always=question.quantity.confirm is not None,
        text=clip.text,
        heard=heard.text,
        cpu_s=cpu_s,
        seconds=audio.seconds + 2 * EDGE_S,
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
    return [outcome(clip, snr, recognizer) for clip in clips for snr in CONDITIONS]


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
        meaning = dialogue.language.understand(heard.text, dialogue.question(asking))
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
    bound = binomtest(count, total, alternative="less").proportion_ci(0.95, method="exact").high
    return f"{count}/{total} {count / total:.1%} (≤ {bound:.1%})"


def accuracy(count: int, total: int) -> str:
    """A count of right ones and its share; the bound is that of the errors."""
    if not total:
        return "-"
    bound = binomtest(total - count, total, alternative="less").proportion_ci(0.95, method="exact").high
    return f"{count}/{total} {count / total:.1%} (errors ≤ {bound:.1%})"


def condition(snr: int | None) -> str:
    """A condition as the tables call it."""
    return "clean" if snr is None else f"{snr} dB"


VERDICTS = ("caution", "fail", "conditional-pass", "conditional-fail", "emergency")


def tables(found: list[Outcome]) -> Iterator[str]:
    """The lines of the tables, in Markdown."""
    yield "| set | noise | right at the first try |"
    yield "|---|---|---|"
    for part in dict.fromkeys(o.part for o in found):
        for snr in CONDITIONS:
            mine = [o for o in found if (o.part, o.snr) == (part, snr)]
            yield f"| {part} | {condition(snr)} | {accuracy(sum(o.right is True for o in mine), len(mine))} |"
    yield ""
    yield "At questions where DESIGN 3 (a) does not demand a yes anyway:"
    yield ""
    columns = ("set", "noise", "wrong, taken without an ask", "wrong, asked only for its verdict",
               "right, asked for how it was heard", "right, asked for its verdict")  # fmt: skip
    yield f"| {' | '.join(columns)} |"
    yield "|---" * len(columns) + "|"
    everything = "all people and voices not trained on"
    for part in (everything, *dict.fromkeys(o.part for o in found)):
        for snr in CONDITIONS:
            mine = [
                o
                for o in found
                if o.snr == snr
                and not o.always
                and (o.part == part or (part == everything and "a voice trained on" not in o.part))
            ]
            read = [o for o in mine if o.right is not None]
            right = [o for o in read if o.right]
            if mine:
                wrong = [o for o in read if not o.right]
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
    yield f"{sum(o.cpu_s for o in found) / sum(o.seconds for o in found):.3f} times real time."


def wrong_ones(found: Iterable[Outcome]) -> Iterator[str]:
    """Each wrong value that was taken without an ask."""
    for o in found:
        if o.right is False and not o.asked and not o.always:
            yield f"  {o.part}, {condition(o.snr)}: said {o.text!r}, heard {o.heard!r}"


def main() -> None:
    """Runs the bench."""
    ap = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    ap.add_argument("--speech", type=Path, default=ROOT.parent / "shared" / "speech", help="recordings of people")
    ap.add_argument("--sample", type=int, default=4, help="hear every N-th clip")
    ap.add_argument("--model", type=Path, default=top_folder("models_manifest") / "field_model")
    ap.add_argument("--processes", type=int, default=2)
    ap.add_argument("--only", default="", help="sets whose name holds this")
    ap.add_argument("--wrong", action="store_true", help="list the wrong values that were taken")
    a = ap.parse_args()
    began = time.monotonic()
    print(f"{datetime.now(UTC):%Y-%m-%d}, {platform.machine()}, {multiprocessing.cpu_count()} cores, "
          f"every {a.sample}th clip, model {a.model.name}\n")  # fmt: skip
    with tempfile.TemporaryDirectory() as folder:
        clips, left_out = synthetic(Path(folder))
        for voice in left_out:
            print(f"Left out: the voice {voice}.")
        there = (a.speech / "measure.tsv").is_file()
        if there:
            clips = [*people(a.speech), *clips]
        else:
            print(f"Left out: recordings of people; {a.speech} is not there. The synthetic part alone follows.")
        clips = [c for c in clips if a.only in c.part]
        parts = dict.fromkeys(c.part for c in clips)
        chosen = [c for part in parts for c in [x for x in clips if x.part == part][:: a.sample]]
        spawn = multiprocessing.get_context("spawn")
        with spawn.Pool(1) as alone:
            print(alone.apply(speed, ((a.model, clips),)), "\n", flush=True)
        with spawn.Pool(a.processes) as pool:
            # By question, so that each process draws each question's phrases once.
            chosen.sort(key=lambda c: c.question)
            size = -(-len(chosen) // (2 * a.processes))
            jobs = [(a.model, chosen[i : i + size]) for i in range(0, len(chosen), size)]
            order = {c.part: i for i, c in enumerate(clips)}
            found = [o for part in pool.imap(hear_all, jobs, chunksize=1) for o in part]
            found.sort(key=lambda o: order[o.part])
            print("\n".join(tables(found)), "\n", flush=True)
            if a.wrong:
                print("\n".join(wrong_ones(found)), "\n")
            if there and not a.only:
                files = [a.speech / path for path, _ in _table(a.speech / "outside.tsv")][:: a.sample]
                print("Speech in which nothing is a reading:\n")
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
