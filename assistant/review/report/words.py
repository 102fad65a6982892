"""How the report words what a record holds: in plain words, and never as a permission."""

from __future__ import annotations

from decimal import Decimal, InvalidOperation

from assistant.review.summary import Finding, Judged, Reading, Summary, printed
from assistant.trade.computations import FINDINGS
from assistant.trade.judging import Limit
from assistant.trade.units import UNIT_SYMBOL, round_significant

PLAIN: dict[str, str] = {
    "ambient-co": "carbon monoxide in the air of the room",
    "co-air-free": "carbon monoxide in the burnt gas, worked out without the air in it",
    "combustion-air-temperature": "heat of the air that the burner takes",
    "combustible-gas": "unburnt gas in the air",
    "dial-size": "gas for one turn of the meter's dial",
    "draft": "the pull of the vent",
    "flame-signal": "how well the control sees the flame",
    "flue-co": "carbon monoxide in the burnt gas",
    "flue-oxygen": "oxygen left in the burnt gas",
    "flue-temperature": "heat of the burnt gas",
    "ground-resistance": "the path to the ground wire",
    "heating-value": "heat in the gas, by its supplier",
    "igniter-current": "current of the part that lights the gas",
    "igniter-resistance": "the part that lights the gas, measured cold",
    "igniter-voltage": "voltage at the part that lights the gas",
    "inlet-drop": "gas pressure lost on the way when the burner runs",
    "inlet-pressure": "gas pressure coming in",
    "inlet-pressure-running": "gas pressure coming in while the burner runs",
    "input-rate": "how much gas is burnt",
    "inter-purge-time": "time of airing between two tries to light",
    "line-voltage": "voltage of the house supply",
    "manifold-pressure": "gas pressure at the burner",
    "meter-dial-seconds": "time for one turn of the gas meter's dial",
    "neutral-to-ground": "voltage between the neutral and the ground wire",
    "return-temperature": "heat of the air going in",
    "rod-to-ground": "the flame sensor's insulation",
    "static-pressure": "pressure in the ducts",
    "supply-temperature": "heat of the air coming out",
    "temperature-rise": "how much the air is warmed",
    "transformer-voltage": "voltage of the control circuit",
    "trial-for-ignition": "time from gas to flame",
    "warm-up-time": "time from glow to gas",
    "blower-off-time": "time until the fan stops",
    "blower-on-time": "time until the fan starts",
    "burner-ground-resistance": "the path from the burner to the cabinet",
    "flame-failure-response": "time until the gas is shut when the flame is gone",
    "igniter-to-ground": "the insulation of the part that lights the gas",
    "ignition-trials": "how often it tries to light before it stops",
    "limit-switch-resistance": "the switch against too much heat",
    "magnet-release-millivolts": "when the pilot's magnet lets go",
    "main-light-time": "time until the burner lights",
    "pilot-trial-time": "time until the pilot lights",
    "post-purge-time": "time of airing after the burner stops",
    "pre-purge-time": "time of airing before lighting",
    "pressure-switch-pressure": "the pull of the vent fan",
    "pressure-switch-resistance": "the switch that proves the vent fan",
    "rollout-switch-resistance": "the switch against flame outside its box",
    "safe-shut-down-time": "time until the gas is shut when the pilot is out",
    "thermocouple-loaded-millivolts": "the pilot's sensor at work",
    "thermocouple-millivolts": "the pilot's sensor by itself",
    "thermopile-millivolts": "the pilot's own source of power",
    "trial-manifold-pressure": "gas pressure at the burner while it tries to light",
}
"""What a quantity is, for somebody who owns the appliance and does not service it."""

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


def sentence(text: str) -> str:
    """With a capital first."""
    return text[:1].upper() + text[1:]


def plain(summary: Summary, quantity: str) -> str:
    """A quantity or finding in plain words; its name of the trade where there are none."""
    return PLAIN.get(quantity) or name(summary, quantity)


def name(summary: Summary, quantity: str) -> str:
    """The trade's name of a quantity or finding."""
    if quantity in summary.quantities:
        return printed(summary.quantities[quantity].spoken)
    return printed(FINDINGS[quantity].spoken) if quantity in FINDINGS else quantity.replace("-", " ")


def figure(value: Decimal) -> str:
    """A figure for reading: over a thousand its digits in threes; worked out ones are rounded before."""
    return f"{value:,f}".replace(",", "\u202f") if abs(value) >= 1000 else f"{value:f}"


def amount(value: str, unit: str) -> str:
    """A value as text with its unit: "3.5 inH2O", "open", "over range"."""
    try:
        number = Decimal(value)
    except InvalidOperation:
        return "over the meter's range" if value == "over-range" else value
    return f"{figure(number)} {UNIT_SYMBOL.get(unit, unit)}".rstrip()


def reading(taken: Reading) -> str:
    """What was read, as it was said."""
    about = "about " if taken.approximate else ""
    if taken.upper:
        return f"{about}{taken.value} to {amount(taken.upper, taken.unit)}, not steady"
    return about + amount(taken.value, taken.unit)


def judged_as(taken: Reading) -> str:
    """The value that was judged, where it is not the one said; empty otherwise."""
    if taken.number is None or (taken.judged_value == taken.value and taken.judged_unit == taken.unit):
        return ""
    return amount(taken.judged_value, taken.judged_unit)


def finding(found: Finding) -> str:
    """What was worked out; no meter behind it carries more than three figures."""
    if not found.value:
        return "not worked out"
    return amount(f"{round_significant(Decimal(found.value), 3):f}", found.unit)


def uncertainty(judged: Judged) -> str:
    """ "± 0.05 µA", or nothing."""
    if not judged.uncertainty or judged.limit is None:
        return ""
    return f"± {amount(f'{round_significant(Decimal(judged.uncertainty), 2):f}', judged.limit.unit)}"


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


def second(utc: str) -> str:
    """ "09:00:00" of a time stamp."""
    return utc[11:19]
