"""Packs recordings of people into shards for train.py.

    python pack_people.py an4 speech/train.tsv data/an4

The table has a header and columns file, text, speaker, seconds (as ../shared/speech/train.tsv); files lie beside it.
SET names the recordings in train.py's shares. Writes OUT_00, OUT_01 and so on, of 1,500 clips each.
"""

from __future__ import annotations

import argparse
import re
from collections.abc import Iterator
from pathlib import Path

import soundfile as sf

import shards
from voices import Wave

CLIPS = 1500  # in a shard


def clips(of: str, root: Path, rows: list[list[str]]) -> Iterator[tuple[str, str, Wave]]:
    """(words, "SET:SPEAKER", samples) of each recording that holds any."""
    for file, text, speaker, *_ in rows:
        wave = shards.tidy(*sf.read(root / file, dtype="float32"))
        words = " ".join(re.sub(r"[^a-z' ]", " ", text.lower()).split())
        if len(wave) > 0.15 * shards.RATE and words:
            yield words, f"{of}:{speaker}", wave


def main() -> None:
    """Writes the shards."""
    ap = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    ap.add_argument("set")
    ap.add_argument("table", type=Path)
    ap.add_argument("out")
    ap.add_argument("--most", type=float, default=9.0, help="seconds of the longest clip that is taken")
    ap.add_argument("--quality", type=float, default=0.3, help="of the Vorbis files")
    a = ap.parse_args()
    rows = [line.split("\t") for line in a.table.read_text(encoding="utf-8").splitlines()[1:]]
    rows = [row for row in rows if float(row[3]) <= a.most]
    hours = sum(
        shards.write(f"{a.out}_{n:02d}", clips(a.set, a.table.parent, rows[at : at + CLIPS]), a.quality)
        for n, at in enumerate(range(0, len(rows), CLIPS))
    )
    print(a.set, len(rows), "clips", len({row[2] for row in rows}), "speakers", round(hours, 2), "hours")


if __name__ == "__main__":
    main()
