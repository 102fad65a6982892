"""Renders a visit's summary as one HTML file that needs nothing else, and as PDF."""

from __future__ import annotations

import base64
import hashlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from decimal import Decimal
from pathlib import Path

from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup

from assistant.dialogue.summary import notice_text
from assistant.errors import Problem
from assistant.record.earlier import history
from assistant.record.record import Record, audio_of
from assistant.review.report import plots, words
from assistant.review.summary import Reading, Recording, Summary, summarize
from assistant.trade.limits import limit_for

REPORT = "report.html"
"""The report that a run of a visit leaves beside its record."""

AUDIO_LIMIT_BYTES = 8_000_000
"""Of recordings inside one report: in base64 a third more, which mail still takes. The rest is named only."""

FLAME = "flame-signal"
"""The quantity whose trend tells most of an igniting burner: it falls over years before the flame drops out."""


@dataclass(frozen=True)
class Sound:
    """A recording as the report has it. uri: the sound itself, empty where it is not inside; why: then the reason."""

    name: str
    words: str
    uri: str
    why: str


@dataclass(frozen=True)
class Row:
    """A reading as the table has it."""

    reading: Reading
    sound: Sound | None
    gauge: Markup
    meter: str


class Sounds:
    """The recordings of one visit: each is put in once, until they take `AUDIO_LIMIT_BYTES`."""

    def __init__(self, folder: Path | None) -> None:
        self._folder = folder
        self._left = AUDIO_LIMIT_BYTES
        self._inside: dict[str, Sound] = {}

    def of(self, recording: Recording | None) -> Sound | None:
        """The sound of a recording; None where nothing was kept."""
        if recording is None or not recording.name:
            return None
        if recording.name not in self._inside:
            self._inside[recording.name] = self._read(recording)
        return self._inside[recording.name]

    def _read(self, recording: Recording) -> Sound:
        def without(why: str) -> Sound:
            return Sound(recording.name, recording.words, "", why)

        if self._folder is None:
            return without("not in this report")
        try:
            data = (self._folder / Path(recording.name).name).read_bytes()
        except OSError:
            return without("not kept")
        if hashlib.sha256(data).hexdigest() != recording.sha256:
            return without("not the one that was recorded: its digest does not match")
        if len(data) > self._left:
            return without("too large for this report; it lies beside the record")
        self._left -= len(data)
        return Sound(recording.name, recording.words, _flac_uri(data), "")


def _flac_uri(data: bytes) -> str:
    return f"data:audio/flac;base64,{base64.b64encode(data).decode('ascii')}"


def of_record(record: Record, audio: bool = True) -> tuple[str, list[str]]:
    """The report of a record as one HTML text, and what the check of its chain found. audio: with its recordings."""
    problems = record.verify()
    summary = summarize(record.entries())
    folder = audio_of(record.path) if audio else None
    return html(summary, folder, problems, _earlier(record.path, summary)), problems


def _earlier(path: Path, summary: Summary) -> dict[str, list[plots.Point]]:
    """The flame signal of earlier visits to the same appliance that lie beside this one, oldest first."""
    before = history(path.parent.parent, summary.job, summary.began, but=path).of(FLAME)
    return {FLAME: [plots.Point(words.day(each.date), each.value) for each in before]}


def html(
    summary: Summary,
    audio: Path | None = None,
    problems: Sequence[str] = (),
    before: Mapping[str, Sequence[plots.Point]] | None = None,
) -> str:
    """The report as one HTML text.

    Args:
        summary: the visit.
        audio: the folder of its recordings; None leaves them out.
        problems: what the check of the record's chain found.
        before: earlier values by quantity, oldest first, in the quantity's unit; without it, the last visit's of
            the job file.
    """
    sounds = Sounds(audio)
    return (
        environment("assistant.review.report", ".")
        .get_template("report.html.j2")
        .render(
            s=summary,
            w=words,
            rows=[_row(summary, reading, sounds) for reading in summary.readings],
            sound=sounds.of,
            problems=problems,
            notice=_notice(summary),
            attention=attention(summary),
            pairs=found_and_left(summary),
            sequence=_sequence(summary),
            flame=_flame(summary, before or {}),
            rules=list(
                dict.fromkeys(r.judged.rule.split(", guard band")[0] for r in summary.readings if r.judged.rule)
            ),
            style=_style(),
        )
    )


def pdf(page: str, path: Path) -> None:
    """Writes the report as PDF.

    Raises:
        Problem: where the system's text layout library is missing, or the file cannot be written.
    """
    try:
        from weasyprint import HTML, URLFetcher  # noqa: PLC0415 - it loads a system library that only a PDF needs
    except OSError as wrong:
        raise Problem(
            "The PDF needs the system library Pango, which is not here; install it (Debian: apt-get install "
            "libpango-1.0-0 libpangoft2-1.0-0 libharfbuzz-subset0), or print the HTML report from a browser."
        ) from wrong
    # The report holds all that it shows: whatever else it would name is not looked for.
    data = HTML(string=page, url_fetcher=URLFetcher(allowed_protocols=())).write_pdf()
    _write(path, data)


def write(page: str, path: Path) -> None:
    """Writes the report as HTML; Problem when that cannot be."""
    _write(path, page.encode())


def _write(path: Path, data: bytes) -> None:
    try:
        path.write_bytes(data)
    except OSError as wrong:
        raise Problem(f"The report {path} cannot be written ({wrong.strerror}); name another file.") from wrong


def environment(package: str, folder: str) -> Environment:
    """The templates in a folder of a package: all that they are given is escaped, and must be there."""
    return Environment(
        loader=PackageLoader(package, folder),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )


def _style() -> Markup:
    # It comes from the package, not from a record.
    return Markup((Path(__file__).parent / "report.css").read_text(encoding="utf-8"))


def _row(summary: Summary, reading: Reading, sounds: Sounds) -> Row:
    limit = reading.judged.limit
    spread = Decimal(reading.judged.uncertainty) if reading.judged.uncertainty else None
    number = reading.number
    gauge = plots.gauge(limit.held(number), spread, limit) if limit and number is not None else Markup("")
    meter = summary.job.meter_for(reading.quantity)
    return Row(reading, sounds.of(reading.recording), gauge, meter.name if meter else "")


def _notice(summary: Summary) -> list[str]:
    """The lines of the notice that was given, as the dialogue words them; none where there was none."""
    ending = summary.ending
    if not ending.notice:
        return []
    told = ending.told.words or "a name, as recorded" if ending.told else ""
    return notice_text(ending.notice, words.day(summary.began), told).splitlines()


@dataclass(frozen=True)
class Attention:
    """What the first page says first. out: beyond their limits; watch: near them or in doubt; unknown: not judged."""

    out: tuple[str, ...]
    watch: tuple[str, ...]
    unknown: tuple[str, ...]
    within: tuple[str, ...]


def attention(summary: Summary) -> Attention:
    """The last reading of each quantity and each finding, sorted by how they stand, in plain words."""
    out: list[str] = []
    watch: list[str] = []
    unknown: list[str] = []
    within: list[str] = []
    stands = [(r.quantity, words.reading(r), r.judged) for r in summary.last_of_each]
    stands += [(f.name, words.finding(f), f.judged) for f in summary.findings if f.judged]
    for quantity, value, judged in stands:
        told = f"{words.sentence(words.plain(summary, quantity))} ({words.name(summary, quantity)}): {value}"
        if judged.outcome == "noted":
            continue
        if judged.accepted is None:
            unknown.append(f"{told}. {words.sentence(judged.reason)}.")
        elif judged.accepted is False:
            out.append(f"{told}. {words.sentence(judged.reason)}.")
        elif judged.outcome in ("caution", "conditional-pass"):
            watch.append(f"{told}. {words.sentence(judged.reason)}.")
        else:
            within.append(words.name(summary, quantity))
    unknown += [
        f"{words.sentence(words.plain(summary, f.name))} ({words.name(summary, f.name)}): not worked out. {f.problem}"
        for f in summary.findings
        if f.problem
    ]
    return Attention(tuple(out), tuple(watch), tuple(unknown), tuple(within))


@dataclass(frozen=True)
class FoundAndLeft:
    """A quantity that was read again after work: as found, and as left."""

    name: str
    found: Reading
    left: Reading


def found_and_left(summary: Summary) -> list[FoundAndLeft]:
    """The quantities that were read both as found and as left."""
    pairs = []
    for last in summary.last_of_each:
        first = summary.first(last.quantity)
        if first and last.stage == "left" and first.stage == "found":
            pairs.append(FoundAndLeft(words.name(summary, last.quantity), first, last))
    return pairs


def _sequence(summary: Summary) -> Markup:
    """The times that a limit is set for, one after the other; those of a timed step where its events lie."""
    spans: list[plots.Span] = []
    now = Decimal(0)
    for step in summary.procedure.steps:
        at = dict.fromkeys(step.events[:1], now)
        for quantity in step.quantities:
            reading = summary.latest(quantity)
            if reading is None or reading.step != step.id or reading.number is None:
                continue
            if reading.judged_unit != "second" or reading.judged.limit is None:
                continue
            first, last = step.times.get(quantity, ("", ""))
            start = at.get(first, now)
            at[last] = start + reading.number
            verdict = words.VERDICTS[reading.judged.outcome]
            spans.append(
                plots.Span(words.name(summary, quantity), start, reading.number, reading.judged.limit, verdict)
            )
        now = max([now, *(span.start_s + span.seconds for span in spans)])
    return plots.sequence(spans) if spans else Markup("")


def _flame(summary: Summary, earlier: Mapping[str, Sequence[plots.Point]]) -> Markup:
    """The flame signal over visits; nothing where there is only this one."""
    before = list(earlier.get(FLAME, ()))
    if not before and FLAME in summary.job.previous:
        before = [plots.Point("last visit", summary.job.previous[FLAME])]
    now = [
        plots.Point(f"{words.day(r.utc)} as {r.stage}", r.number)
        for r in summary.standing
        if r.quantity == FLAME and r.number is not None
    ]
    if not before or not now:
        return Markup("")
    limit = limit_for(FLAME, summary.limits, summary.job)
    return plots.over_visits([*before, *now], limit, "µA", "Flame signal over visits")
