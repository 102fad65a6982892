"""Erasing the sound of a visit: the recordings, and every copy of them inside a report that the tool wrote."""

from __future__ import annotations

from pathlib import Path

from assistant.errors import Problem
from assistant.places import write_whole
from assistant.record import seal
from assistant.record.chain import Entry
from assistant.record.folder import name_in
from assistant.record.record import Record
from assistant.record.story import story_of
from assistant.review.report import page
from assistant.review.store.folder import REVIEWS, read_reviews
from assistant.review.store.store import Store
from assistant.review.web.shop import SOMETHING_UNSAFE, WHY_KEPT, Standing, standing_of


def why_kept(record: Path, store: str = "") -> str:
    """Why the sound of a visit may not be erased: it is unsafe, disputed, or nobody signed it off; empty where it may.

    What was signed is looked for in the reviews of the folders above the record, or in the shop's store. An erasure
    that was begun is finished.
    """
    with Record.open(record, read_only=True) as opened:
        entries, rows = list(opened.entries()), [*opened.rows(), *seal.sealed_rows(record)]
    left = set(seal.recordings(rows)) - set(seal.erased(rows))
    if seal.erased(rows) and not left:
        return ""
    story = story_of(entries)
    if story.notices or story.emergencies:
        return SOMETHING_UNSAFE
    return WHY_KEPT[_standing(record, entries, store)]


def _standing(record: Path, entries: list[Entry], store: str) -> Standing:
    if store:
        with Store.open(store) as shop:
            kept = shop.visit(entries[0].hash)
        return standing_of(kept.reviews, len(entries), entries[-1].hash) if kept else "open"
    path = record.resolve()
    for folder in path.parents:
        if (folder / REVIEWS).is_file():
            reviews = read_reviews(folder).reviews.get(name_in(folder, path), ())
            if reviews:
                return standing_of(reviews, len(entries), entries[-1].hash)
    return "open"


def erase(record: Path, by: str, why: str) -> tuple[list[str], list[Path]]:
    """Erases the recordings of a visit and makes the reports again that hold them. The names, and these reports.

    Raises:
        Problem: if something cannot be written; what was not done yet is done by erasing again.
    """
    names = seal.erase_audio(record, why, by=by)
    made = []
    for report in [record.parent / page.REPORT, *page.copies_of(record)]:
        if report.is_file() and b"data:audio/" in report.read_bytes():
            _make_again(record, report)
            made.append(report)
    return names, made


def _make_again(record: Path, report: Path) -> None:
    """A report without sound; where it cannot be made today, it is removed."""
    try:
        with Record.open(record, read_only=True) as opened:
            text = page.of_record(opened, audio=False)[0]
    except Problem:
        try:
            report.unlink()
        except OSError as wrong:
            raise Problem(f"The report {report} holds sound and cannot be removed ({wrong.strerror}).") from wrong
        return
    write_whole(report, text.encode())
