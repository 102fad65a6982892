"""Renders a visit as one HTML file that needs nothing else, and as PDF."""

from __future__ import annotations

import base64
import hashlib
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from decimal import Decimal
from pathlib import Path

from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup
from msgspec import structs

from assistant.errors import Problem
from assistant.places import write_whole
from assistant.record.earlier import history
from assistant.record.entries import Reading, Utterance
from assistant.record.record import Record, audio_of
from assistant.record.seal import check
from assistant.record.story import Story, story_of
from assistant.review.found_left import as_found_and_left
from assistant.review.report import plots, words
from assistant.trade.limits import limit_for
from assistant.trade.procedures import Hazard
from assistant.wording.english import A_NAME_TO_WRITE, notice_text

REPORT = "report.html"
"""The report that a run of a visit leaves beside its record."""

AUDIO_LIMIT_BYTES = 8_000_000
"""Of recordings inside one report: in base64 a third more, which mail still takes. The rest is named only."""

FLAME = "flame-signal"
"""The quantity whose trend tells most of an igniting burner: it falls over years before the flame drops out."""


class Sounds:
    """The recordings of one visit: each is put in once, until they take `AUDIO_LIMIT_BYTES`."""

    def __init__(self, folder: Path | None) -> None:
        self._folder = folder
        self._left = AUDIO_LIMIT_BYTES
        self._inside: dict[str, tuple[str, str]] = {}

    def of(self, recording: Utterance) -> tuple[str, str]:
        """The sound itself of what was said, as an address; where it is empty, why it is not here."""
        if recording.audio not in self._inside:
            self._inside[recording.audio] = self._read(recording)
        return self._inside[recording.audio]

    def _read(self, recording: Utterance) -> tuple[str, str]:
        if self._folder is None:
            return "", "not in this report"
        try:
            sound = self._folder / Path(recording.audio).name
            if sound.stat().st_size > self._left:
                return "", "too large for this report; it lies beside the record"
            data = sound.read_bytes()
        except OSError:
            return "", "not kept"
        if hashlib.sha256(data).hexdigest() != recording.sha256:
            return "", "not the one that was recorded: its digest does not match"
        self._left -= len(data)
        return f"data:audio/flac;base64,{base64.b64encode(data).decode('ascii')}", ""


def of_record(record: Record, audio: bool = True) -> tuple[str, list[str]]:
    """The report of a record as one HTML text, and what its check found. audio: with its recordings."""
    problems = check(record.path).problems
    story = story_of(record.entries())
    folder = audio_of(record.path) if audio else None
    return html(story, folder, problems, _earlier(record.path, story)), problems


def _earlier(path: Path, story: Story) -> list[plots.Point]:
    """The flame signal of earlier visits to the same appliance that lie beside this one, oldest first."""
    before = history(path.parent.parent, story.rules.job, story.began, but=path).of(FLAME)
    return [plots.Point(words.day(each.date), each.value) for each in before]


def html(
    story: Story,
    audio: Path | None = None,
    problems: Sequence[str] = (),
    before: Sequence[plots.Point] = (),
) -> str:
    """The report as one HTML text.

    Args:
        story: the visit.
        audio: the folder of its recordings; None leaves them out.
        problems: what the check of the record found.
        before: earlier flame signals, oldest first, in the quantity's unit; without any, the last visit's of the job
            file.
    """
    sounds = Sounds(audio)
    for reading in story.readings:  # those of the readings first, while there is room
        if recording := story.recordings.get(reading.seq):
            sounds.of(recording)
    return (
        environment()
        .get_template("report.html.j2")
        .render(
            s=story,
            w=words,
            gauge=_gauge,
            sound=sounds.of,
            problems=problems,
            notice=_notice(story),
            attention=attention(story),
            pairs=[line for line in as_found_and_left(story) if line.found and line.left],
            number=words.number(story),
            hazards=_hazards(story),
            sequence=_sequence(story),
            flame=_flame(story, before),
            rules=list(
                dict.fromkeys(r.decision_rule.split(", guard band")[0] for r in story.readings if r.decision_rule)
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
    write_whole(path, data)


def note_copy(record: Path, report: Path) -> None:
    """Keeps where a report was written that is not beside its record, so that its sound can be erased with the rest."""
    report = report.resolve()
    if report == (record.parent / REPORT).resolve() or report in copies_of(record):
        return
    try:
        with _list_of(record).open("a", encoding="utf-8") as out:
            out.write(f"{report}\n")
    except OSError as wrong:
        raise Problem(f"{_list_of(record)} cannot be written ({wrong.strerror}); it names the reports.") from wrong


def copies_of(record: Path) -> list[Path]:
    """The reports with sound that were written other than beside the record."""
    try:
        return [Path(line) for line in _list_of(record).read_text(encoding="utf-8").splitlines()]
    except FileNotFoundError:
        return []
    except (OSError, ValueError) as wrong:
        raise Problem(f"{_list_of(record)} cannot be read; it names the reports that hold sound.") from wrong


def _list_of(record: Path) -> Path:
    return record.with_suffix(".reports.txt")


def environment() -> Environment:
    """The templates of the report and of the page: all that they are given is escaped, and must be there."""
    return Environment(
        loader=PackageLoader("assistant.review", "templates"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )


def _style() -> Markup:
    # It comes from the package, not from a record.
    own = Path(__file__).parent
    styles = (own.parent / "web" / "static" / "base.css", own / "report.css")
    return Markup("".join(style.read_text(encoding="utf-8") for style in styles))


def _gauge(reading: Reading) -> Markup:
    limit, number, spread = reading.limit, reading.number, reading.expanded_uncertainty
    if not limit or number is None:
        return Markup("")
    return plots.gauge(limit.held(number), Decimal(spread) if spread else None, limit)


def _notice(story: Story) -> list[str]:
    """The lines of the notice that was given, as the dialogue words them; none where there was none."""
    if not story.notice:
        return []
    told = A_NAME_TO_WRITE if story.told and not story.told.nobody else ""
    return notice_text(structs.asdict(story.notice), words.day(story.began), told).splitlines()


@dataclass(frozen=True)
class Attention:
    """What the first page says first."""

    out: list[str] = field(default_factory=list)  # beyond their limits
    watch: list[str] = field(default_factory=list)  # near them or in doubt
    unknown: list[str] = field(default_factory=list)  # not judged
    within: list[str] = field(default_factory=list)
    mended: list[str] = field(default_factory=list)  # as found outside or near, and mended on the visit


def attention(story: Story) -> Attention:
    """The last reading of each quantity and each finding, sorted by how they stand, in plain words."""
    found = Attention()
    for stands in (*story.last_of_each, *story.findings):
        name = words.name(story, stands.name)
        told = f"{words.sentence(words.plain(story, stands.name))} ({name}): "
        reason = f"{told}{words.told(stands)}. {words.sentence(stands.reason)}."
        if stands.problem:
            found.unknown.append(f"{told}not worked out. {stands.problem}")
        elif stands.verdict in (None, "noted"):
            continue
        elif stands.accepted is None:
            found.unknown.append(reason)
        elif stands.accepted is False:
            found.out.append(reason)
        elif stands.verdict in ("caution", "conditional-pass"):
            found.watch.append(reason)
        else:
            found.within.append(name)
    found.mended.extend(_mended(story))
    return found


def _mended(story: Story) -> Iterator[str]:
    """What was not as it should be when it was found, and is now, with the repairs between."""
    for line in as_found_and_left(story):
        if line.found and line.left and line.repairs and line.found.verdict not in ("pass", "noted", None):
            value, reason = words.told(line.found), line.found.reason
            told = [value, words.VERDICTS[line.found.verdict]]
            told += [reason] if reason.lower() not in ("", value) else []
            found = f"{words.sentence(line.name)}: as found {', '.join(told)}."
            yield f"{found} Mended: {', '.join(line.repairs)}; as left {words.told(line.left)}."


def _hazards(story: Story) -> list[tuple[Hazard, list[str], list[str]]]:
    """The hazards that were voiced, each once, danger first: when, and when nobody said "understood"."""
    said: dict[str, tuple[Hazard, list[str], list[str]]] = {}
    for warned in story.warned:
        for name in warned.hazards:
            hazard, times, unanswered = said.setdefault(name, (story.rules.hazards[name], [], []))
            times.append(words.second(warned.utc))
            if hazard.level == "danger" and warned.seq not in story.understood:
                unanswered.append(times[-1])
    return sorted(said.values(), key=lambda each: each[0].level != "danger")


def _sequence(story: Story) -> Markup:
    """The times that a limit is set for, one after the other; those of a timed step where its events lie."""
    spans: list[plots.Span] = []
    now = Decimal(0)
    for step in story.procedure.steps:
        at = dict.fromkeys(step.events[:1], now)
        for quantity in step.quantities:
            reading = story.latest(quantity)
            if reading is None or reading.step != step.id or reading.number is None:
                continue
            if story.judged_unit(reading) != "second" or reading.limit is None:
                continue
            first, last = step.times.get(quantity, ("", ""))
            start = at.get(first, now)
            at[last] = start + reading.number
            verdict = words.VERDICTS[reading.verdict]
            spans.append(plots.Span(words.name(story, quantity), start, reading.number, reading.limit, verdict))
        now = max([now, *(span.start_s + span.seconds for span in spans)])
    return plots.sequence(spans) if spans else Markup("")


def _flame(story: Story, before: Sequence[plots.Point]) -> Markup:
    """The flame signal over visits; nothing where there is only this one."""
    if not before and FLAME in story.rules.job.previous:
        before = [plots.Point("last visit", story.rules.job.previous[FLAME])]
    now = [
        plots.Point(f"{words.day(r.utc)} as {r.stage}", r.number)
        for r in story.standing
        if r.quantity == FLAME and r.number is not None
    ]
    if not before or not now:
        return Markup("")
    limit = limit_for(FLAME, story.rules.limits, story.rules.job)
    return plots.over_visits([*before, *now], limit, "µA", "Flame signal over visits")
