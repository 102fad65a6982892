"""How many measurements name a fault: by expected information and in the table's order. Asserts nothing."""

import sys
from pathlib import Path
from statistics import mean

sys.path.insert(0, str(Path(__file__).parent.parent))
from played_faults import Played, every

from assistant.files import library

WHAT = (("among the first two", "measured_to_second"), ("first", "measured_to_first"))


def line(played: list[Played], name: str, attribute: str) -> str:
    counts = [getattr(each, attribute) for each in played]
    reached = [count for count in counts if count is not None]
    return f"{name}: mean {mean(reached):.2f}, most {max(reached)}, reached {len(reached)} of {len(counts)}"


if __name__ == "__main__":
    for title, by_table in (("by expected information", False), ("in the order of the table", True)):
        all_of = list(every(library().faults, by_table))
        for name, attribute in WHAT:
            print(f"measurements until the cause is {line(all_of, name, attribute)} ({title})")
    pairs = zip(every(library().faults, by_table=False), every(library().faults, by_table=True), strict=True)
    more = [a for a, b in pairs if b.measured_to_second is not None and a.measured_to_second > b.measured_to_second]
    print(f"faults that need more than in the order of the table: {len(more)}")
    for each in more:
        print(f"  {each.row.symptom}: {each.cause}")
