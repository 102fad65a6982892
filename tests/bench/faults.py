"""How many measurements name a fault: by expected information, in the table's order, and in no heat visits.

Asserts nothing.
"""

import sys
from pathlib import Path
from statistics import mean

sys.path.insert(0, str(Path(__file__).parents[2] / "audio_fixtures"))
sys.path.insert(0, str(Path(__file__).parents[1]))
from played_faults import Played, every, play, visit

from assistant.files import library

WHAT = (("among the first two", "measured_to_second"), ("first", "measured_to_first"))


def line(played: list[Played], name: str, attribute: str) -> str:
    counts = [getattr(each, attribute) for each in played]
    reached = [count for count in counts if count is not None]
    return f"{name}: mean {mean(reached):.2f}, most {max(reached)}, reached {len(reached)} of {len(counts)}"


def visits() -> None:
    """Every fault met in a no heat visit, in words, through the real dialogue."""
    faults = library().faults
    counts, more, lost = [], [], []
    for row in faults.rows:
        for cause in row.causes:
            met = visit(row, cause)
            if not met.run():
                lost.append((row.symptom, cause))
                continue
            counts.append(len(met.measured))
            table = play(faults, row, cause, by_table=True).measured_to_second
            if table is None or len(met.measured) > table:
                more.append((row.symptom, cause, len(met.measured), table))
    print(f"in a no heat visit the cause is among the first two: mean {mean(counts):.2f} measurements, ", end="")
    print(f"most {max(counts)}, reached {len(counts)} of {len(counts) + len(lost)}")
    print(f"  more than in the order of the table, which knows no power and gas: {len(more)}")
    for symptom, cause, took, table in more:
        print(f"    {symptom}: {cause}: {took}, by the table {'never' if table is None else table}")
    for symptom, cause in lost:
        print(f"    never: {symptom}: {cause}")


if __name__ == "__main__":
    for title, by_table in (("by expected information", False), ("in the order of the table", True)):
        all_of = list(every(library().faults, by_table))
        for name, attribute in WHAT:
            print(f"measurements until the cause is {line(all_of, name, attribute)} ({title})")
    pairs = zip(every(library().faults, by_table=False), every(library().faults, by_table=True), strict=True)
    more = [
        a
        for a, b in pairs
        if a.measured_to_second is not None
        and b.measured_to_second is not None
        and a.measured_to_second > b.measured_to_second
    ]
    print(f"faults that need more than in the order of the table: {len(more)}")
    for each in more:
        print(f"  {each.row.symptom}: {each.cause}")
    visits()
