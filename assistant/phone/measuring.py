"""Whether a phone and its network are good enough: `assistant self-check --phone`."""

from __future__ import annotations

import tempfile
from collections.abc import Callable
from contextlib import ExitStack
from pathlib import Path
from typing import Any

import numpy as np

from assistant import selfcheck
from assistant.phone.line import Line, PhoneRoute
from assistant.phone.server import Place, Server, open_route
from assistant.places import voice_cache
from assistant.wording import phone as wording

ROUND_TRIP_S = 0.25
"""A slower network makes most answers late: chosen from what `make bench-phone` measures with 80 and 200 ms more."""


def listen(
    model_folder: Path, place: Place, show: Callable[[Server, list[Line]], None], tell: Callable[[str], None]
) -> dict[str, Any]:
    """As `selfcheck.listen`, with a phone; besides, its round trips, what of its sound was missing, and whether that is
    good enough. show: shows the code."""
    routes: list[PhoneRoute] = []

    def phone(rate_hz: int, stack: ExitStack) -> PhoneRoute:
        folder = stack.enter_context(tempfile.TemporaryDirectory())
        routes.append(open_route(rate_hz, stack, place, Path(folder), "bundled", False, show, tell))
        return routes[0]

    found = selfcheck.listen(model_folder, voice_cache(), phone, tell)
    (route,) = routes
    half_s, most_s = np.percentile(list(route.round_trips_s) or [float("inf")], [50, 95])
    missing_s = route.microphone.missing_s
    fast, whole = most_s <= ROUND_TRIP_S, not missing_s
    return {
        **found,
        "round_trip_ms": round(1000 * half_s),
        "round_trip_p95_ms": round(1000 * most_s),
        "gaps": len(missing_s),
        "missing_s": round(sum(missing_s), 3),
        "line_good_enough": bool(fast and whole),
        "line": wording.LINE_GOOD if fast and whole else wording.LINE_SLOW if whole else wording.LINE_GAPS,
    }
