"""What a reading is beside those of earlier visits to the same appliance. Pure."""

from __future__ import annotations

from decimal import Decimal

from assistant.dialogue.context import Context, say
from assistant.dialogue.effects import Effect, Note
from assistant.dialogue.state import Taken
from assistant.language.meaning import Value
from assistant.trade import units
from assistant.trade.computations import FINDINGS
from assistant.trade.history import Earlier, is_far, slope
from assistant.trade.limits import limit_for
from assistant.wording import english as wording

FAR_FROM_LAST = "far from the last visit"
"""Why a reading is asked."""


def earlier(dialogue: Context, name: str) -> list[Earlier]:
    """The earlier values of a quantity or finding in its unit of today, oldest first."""
    quantity = dialogue.rules.quantities.get(name)
    unit = quantity.unit if quantity else FINDINGS[name].unit
    return [
        each.model_copy(update={"value": units.convert(each.value, each.unit, unit), "unit": unit})
        for each in dialogue.rules.history.of(name)
        if units.same_dimension(each.unit, unit)
    ]


def _last(dialogue: Context, name: str) -> Earlier | None:
    """The last visit's value: of its record, else as the job file gives it."""
    before = earlier(dialogue, name)
    if before:
        return before[-1]
    given = dialogue.rules.job.previous.get(name)
    return None if given is None else Earlier(quantity=name, value=given, unit=dialogue.rules.quantities[name].unit)


def is_far_from_last(dialogue: Context, taken: Taken) -> bool:
    """Whether a reading is so far from the last visit's that it is asked."""
    last = _last(dialogue, taken.quantity)
    if last is None or not isinstance(taken.judged, Decimal):
        return False
    return is_far(taken.judged, last.value, dialogue.rules.quantities[taken.quantity].resolution)


def last_time(dialogue: Context, name: str) -> str:
    """What it was at the last visit, as a sentence; empty where that is not known."""
    last = _last(dialogue, name)
    return wording.last_time(last, dialogue.rules.history.date) if last else ""


def compared(dialogue: Context, step_id: str, name: str, value: Value | None) -> list[Effect]:
    """A value beside the earlier ones: the last of them, and the slope where there are enough."""
    before = earlier(dialogue, name)
    if not before or not isinstance(value, Decimal):
        return []
    line = slope(before, value, limit_for(name, dialogue.rules.limits, dialogue.rules.job))
    body: dict[str, object] = {
        "step": step_id,
        "quantity": name,
        "value": f"{value:f}",
        "unit": before[-1].unit,
        "earlier": [[each.date, f"{each.value:f}"] for each in before],
    }
    if line:
        body["per_year"] = f"{line.per_year:f}"
        if line.years_to_limit is not None:
            body |= {"limit": f"{line.limit:f}", "years_to_limit": f"{line.years_to_limit:f}"}
    said = wording.last_time(before[-1], dialogue.rules.history.date)
    return [Note("compared", body), *say(f"{said} {wording.slope(line)}" if line else said, "answer")]
