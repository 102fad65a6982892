"""How the report words what a record holds: in plain words, and never as a permission."""

from __future__ import annotations

from datetime import datetime
from decimal import Decimal

from assistant.files import library
from assistant.language.meaning import number_of
from assistant.record.entries import Finding, Judged, Reading, WorkedOut
from assistant.record.story import Story, printed
from assistant.trade.computations import FINDINGS
from assistant.trade.judging import Limit
from assistant.trade.units import UNIT_SYMBOL, round_significant
from assistant.wording import english

A_NAME, sentence = english.A_NAME, english.capital
VERDICTS = {
    "pass": "pass",
    "caution": "caution",
    "conditional-pass": "within, by less than the meter's uncertainty",
    "conditional-fail": "outside, by less than the meter's uncertainty",
    "fail": "fail",
    "cannot-judge": "cannot be judged",
    "noted": "noted",
}
AUTHORITIES = {
    "plate": "rating plate or sheet",
    "code": "code",
    "supplier": "gas supplier",
    "generic": "generic limit",
}
POWER = {
    "unknown": "not known",
    "isolated": "off and locked",
    "dead": "off, locked and proved dead",
    "live": "on",
}
GAS = {"unknown": "not known", "shut": "shut", "on": "on"}


def plain(story: Story, quantity: str) -> str:
    """A quantity or finding in plain words; its name of the trade where there are none."""
    held = story.rules.quantities.get(quantity)
    return (held and held.plain) or plain_now(quantity) or name(story, quantity)


def plain_now(name: str) -> str:
    """A quantity or finding in the plain words of the data in use; empty where it has none."""
    known = library().quantities.get(name) or FINDINGS.get(name)
    return known.plain if known else ""


def name(story: Story, quantity: str) -> str:
    """The trade's name of a quantity or finding."""
    if known := story.rules.quantities.get(quantity) or FINDINGS.get(quantity):
        return printed(known.spoken)
    return quantity.replace("-", " ")


def figure(value: Decimal) -> str:
    """A figure for reading: over a thousand its digits in threes; worked out ones are rounded before."""
    return f"{value:,f}".replace(",", "\u202f") if abs(value) >= 1000 else f"{value:f}"


def amount(value: str, unit: str) -> str:
    """A value as text with its unit: "3.5 inH2O", "open", "over range"."""
    number = number_of(value)
    if number is None:
        return "over the meter's range" if value == "over-range" else value
    return f"{figure(number)} {UNIT_SYMBOL.get(unit, unit)}".rstrip()


def reading(taken: Reading) -> str:
    """What was read, as it was said."""
    about = "about " if taken.approximate else ""
    if taken.upper:
        return f"{about}{taken.value} to {amount(taken.upper, taken.unit)}, not steady"
    below, unsteady = "below " if taken.below else "", "" if taken.steady else ", not steady"
    return f"{about}{below}{amount(taken.value, taken.unit)}{unsteady}"


def judged_as(story: Story, taken: Reading) -> str:
    """The value that was judged, where it is not the one said; empty otherwise."""
    unit = story.judged_unit(taken)
    if taken.number is None or (taken.judged == taken.value and unit == taken.unit):
        return ""
    return amount(taken.judged, unit)


def told(stands: Reading | Finding | WorkedOut) -> str:
    """What was read, or worked out."""
    return reading(stands) if isinstance(stands, Reading) else finding(stands)


def finding(found: Finding | WorkedOut) -> str:
    """What was worked out; no meter behind it carries more than three figures."""
    if not found.value:
        return "not worked out"
    return amount(f"{round_significant(Decimal(found.value), 3):f}", found.unit)


def uncertainty(judged: Judged) -> str:
    """ "± 0.05 µA", or nothing."""
    if not (judged.expanded_uncertainty and judged.limit):
        return ""
    return f"± {amount(f'{round_significant(Decimal(judged.expanded_uncertainty), 2):f}', judged.limit.unit)}"


STRENGTHS = {"magnitude": " whatever the sign", "suction": " of suction"}


def bounds(limit: Limit | None) -> str:
    """The bounds of a limit: "3.2 to 3.8 inH2O", "at least 1 µA; watch below 1.5"."""
    if limit is None:
        return "no limit"
    if not limit.is_known:
        return "needs the value of the plate or sheet"
    unit = f" {UNIT_SYMBOL[limit.unit]}".rstrip() + STRENGTHS.get(limit.strength or "", "")  # a count has none
    below, above = ("weaker than", "stronger than") if limit.strength else ("below", "above")
    parts = []
    if limit.wants_open:
        parts.append("open" + (f", or at least {figure(limit.low)}{unit}" if limit.low is not None else ""))
    elif limit.low is not None and limit.high is not None:
        parts.append(f"{figure(limit.low)} to {figure(limit.high)}{unit}")
    elif limit.low is not None:
        parts.append(f"at least {figure(limit.low)}{unit}")
    elif limit.high is not None:
        parts.append(f"{'below' if limit.is_exclusive('high') else 'at most'} {figure(limit.high)}{unit}")
    low, high = limit.caution_low, limit.caution_high
    watch = [f"{word} {figure(bound)}" for bound, word in ((low, below), (high, above)) if bound is not None]
    if watch:
        alone = unit if not parts else ""
        parts.append(f"watch {' and '.join(watch)}{alone}")
    return "; ".join(parts)


def source(limit: Limit | None) -> str:
    """Who sets a limit, and where it is written."""
    if limit is None:
        return ""
    mark = "" if limit.source.mark == "published" else limit.source.mark
    return ": ".join(filter(None, [AUTHORITIES[limit.authority], "; ".join(filter(None, [mark, limit.source.text]))]))


def day(utc: str) -> str:
    """ "2026-01-05" of a time stamp."""
    return utc[:10]


def minute(utc: str) -> str:
    """ "2026-01-05 09:00 UTC" of a time stamp."""
    return f"{utc[:10]} {utc[11:16]} UTC"


def period(began: str, ended: str) -> str:
    """From one time stamp to another: "2026-01-05 09:00 to 10:20 UTC"."""
    first = minute(began).removesuffix(" UTC")
    last = ended[11:16] if day(began) == day(ended) else minute(ended).removesuffix(" UTC")
    return f"{first} to {last} UTC"


def number(story: Story) -> str:
    """The number of a visit: its day, and the start of the hash of its first entry, which no other visit has."""
    return f"{day(story.began).replace('-', '')}-{story.opening.hash[:8]}"


def local(began: str, ended: str) -> str:
    """From one time stamp to another by the clock of this machine: "2026-01-05 03:00 to 04:20 (UTC-06:00)"."""
    first, last = (datetime.fromisoformat(utc).astimezone() for utc in (began, ended))
    until = f"{last:%H:%M}" if first.date() == last.date() else f"{last:%Y-%m-%d %H:%M}"
    zone = f"{first:%z}"
    return f"{first:%Y-%m-%d %H:%M} to {until} (UTC{zone[:3]}:{zone[3:5]})"


def second(utc: str) -> str:
    """ "09:00:00" of a time stamp."""
    return utc[11:19]
