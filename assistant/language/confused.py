"""Number words that are heard for each other, as measured: written by `make confusions`, do not edit."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Confused:
    """Two words that are heard for each other, either way."""

    one: str
    other: str
    times: int  # that one was heard as the other
    said: int  # times that either was said


# Voices and people that the bundled model was not trained on, in quiet and in blower noise of 20 and 10 dB.
CONFUSED = (
    Confused("eight", "six", 35, 681),
    Confused("eight", "three", 16, 719),
    Confused("fifty", "sixty", 14, 120),
    Confused("six", "two", 8, 725),
    Confused("nineteen", "ninety", 7, 84),
    Confused("thirty", "three", 6, 449),
    Confused("fifty", "thirty", 5, 121),
    Confused("thirteen", "thirty", 4, 86),
    Confused("fifty", "sixteen", 3, 73),
    Confused("sixteen", "sixty", 3, 71),
)
