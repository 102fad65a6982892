"""The recorded visits, and what of a visit is compared with another of the same words."""

from __future__ import annotations

import csv
from pathlib import Path

from assistant.files import top_folder
from assistant.record.fold import turns
from assistant.record.record import Record

FIXTURES = top_folder("audio_fixtures") / "visits"

# What the visit holds in the end, and what of each entry; times are compared apart.
HELD = {
    "reading": ("step", "quantity", "value", "unit", "verdict", "stage", "speaker"),
    "finding": ("finding", "value", "verdict"),
    "answer": ("step", "answer"),
    "unclear": ("step", "reason"),
    "skipped": ("step", "reason"),
    "repair": ("repair", "voids"),
    "correction": ("quantity", "withdrawn"),
    "remark": ("step", "text"),
    "decision": ("stays_on",),
    "site": ("power", "gas"),
}


def held(kind: str, body: dict) -> tuple | None:
    if kind not in HELD or (kind == "reading" and body["words"] == "mark"):
        return None
    return (kind, *(str(body[key]) for key in HELD[kind]))


def spoken(name: str) -> list[dict[str, str]]:
    with (FIXTURES / f"{name}.spoken.tsv").open(encoding="utf-8") as table:
        return list(csv.DictReader((line for line in table if not line.startswith("#")), delimiter="\t"))


def real_job(name: str, folder: Path) -> Path:
    """The job file of a recorded visit as a shop has it: that it is invented only the demo takes."""
    path = folder / "real.job.yaml"
    job = (FIXTURES / f"{name}.job.yaml").read_text(encoding="utf-8")
    path.write_text(job.replace("invented: true\n", ""), encoding="utf-8")
    return path


def entries(path: Path) -> list[tuple[str, dict]]:
    """The kinds and bodies of a record, which is sound and decides as it did."""
    with Record.open(path, read_only=True) as record:
        assert record.verify() == []
        assert all(turn.same for turn in turns(record))
        return [(entry.kind, entry.body) for entry in record.entries()]
