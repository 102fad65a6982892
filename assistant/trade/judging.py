"""Limits as data, and how a reading stands against one.

With the meter's expanded uncertainty U a reading is judged by four states (published: ILAC-G8:09/2019, 4.2.3,
guard band w = U). For an upper limit TL and a reading y:

=================  =======================
pass               y <= TL - U
conditional-pass   TL - U < y <= TL
conditional-fail   TL < y <= TL + U
fail               y > TL + U
=================  =======================

A lower limit mirrors this, and of two limits the worse state counts. Without U the limit itself divides pass
from fail (simple acceptance, 4.2.1 there), and the verdict says so.

Which words were heard as which number is settled before; nothing here plays a part in that.
"""

from dataclasses import dataclass
from decimal import Decimal
from typing import Literal, Self, TypeAlias, get_args

from pydantic import Field, model_validator

from assistant.trade.formulas.uncertainty import meter_uncertainty
from assistant.trade.model import Data, UnitName
from assistant.trade.quantities import Overload
from assistant.trade.units import UNIT_SYMBOL, round_significant, same_dimension

OPEN = Overload.OPEN
OVER_RANGE = Overload.OVER_RANGE

Value: TypeAlias = Decimal | Overload
"""What was measured: a number in the limit's unit, or that the meter showed none."""

Mark = Literal["published", "common practice", "from memory, verify"]

Authority = Literal["plate", "code", "supplier", "generic"]
"""Who sets a limit, highest first: rating plate or maker's sheet, code in force, gas supplier, generic."""

Outcome = Literal["pass", "conditional-pass", "conditional-fail", "fail", "caution", "cannot-judge", "noted"]
"""How a reading stands.

* caution: within the limit, in the zone to watch.
* cannot-judge: a limit should exist but its value is not known, or the meter showed no value.
* noted: the quantity has no limit by design.
"""

RISING = "rising: higher than the reading before; find the cause"
"""The reason of a caution that no bound gives: what must not rise has risen."""

RANK = ("noted", "pass", "caution", "cannot-judge", "conditional-pass", "conditional-fail", "fail")
"""From best to worst: of several readings, or of a reading and the findings that it completes, the worst counts."""


class Source(Data):
    """Where a value comes from."""

    mark: Mark
    text: str = ""  # for a published source its title and clause; otherwise a remark, or nothing

    @model_validator(mode="after")
    def _published_is_named(self) -> Self:
        if self.mark == "published" and not self.text.strip():
            raise ValueError("A published source must name its title.")
        return self


class MeterAccuracy(Data):
    """A meter's stated accuracy on the range in use: +/- (percent of reading + counts)."""

    percent_of_reading: Decimal  # as its manual states it
    counts: Decimal  # likewise; 0 where there are none
    resolution: Decimal  # worth of the last digit, in `unit`
    unit: UnitName  # in which it reads

    @model_validator(mode="after")
    def _makes_sense(self) -> Self:
        if self.percent_of_reading < 0 or self.counts < 0 or self.resolution <= 0:
            raise ValueError("A meter's percent and counts cannot be below zero, and its resolution is above.")
        return self

    def expanded_uncertainty(self, value: Decimal) -> Decimal:
        """U (k = 2) of a reading in `unit`, in `unit`; see `meter_uncertainty`."""
        return meter_uncertainty(value, self.percent_of_reading, self.counts, self.resolution)


Act = Literal["gas on", "lighting", "running", "leaving on"]
"""What a finding may forbid until it is mended and measured again: opening the gas, lighting the burner, letting it
run, and leaving the appliance on. What forbids one forbids those after it."""

ACTS: tuple[Act, ...] = get_args(Act)
"""In the order of a visit."""


class Forbids(Data):
    """What a reading that does not meet its limit forbids.

    above, below: only a value above or below this forbids it, as the limit's bounds have it; without either, any that
    does not meet the limit.
    """

    acts: tuple[Act, ...] = Field(min_length=1)
    above: Decimal | None = None
    below: Decimal | None = None

    @model_validator(mode="after")
    def _acts_are_whole(self) -> Self:
        first = min(ACTS.index(act) for act in self.acts)
        if missing := [act for act in ACTS[first:] if act not in self.acts]:
            raise ValueError(f"What forbids {ACTS[first]} also forbids {', '.join(missing)}: write every act.")
        return self

    def at(self, held: Decimal) -> bool:
        """Whether it forbids at this value, of a reading that does not meet the limit. held: see `Limit.held`."""
        if self.above is None and self.below is None:
            return True
        return (self.above is not None and held > self.above) or (self.below is not None and held < self.below)

    def covers(self, other: "Forbids") -> bool:
        """Whether it forbids all that `other` forbids, at every value at which `other` does."""
        if not set(other.acts) <= set(self.acts):
            return False
        if self.above is None and self.below is None:
            return True
        if other.above is None and other.below is None:
            return False
        above = other.above is None or (self.above is not None and self.above <= other.above)
        below = other.below is None or (self.below is not None and self.below >= other.below)
        return above and below


Bound = Literal["low", "caution_low", "caution_high", "high"]

BOUNDS: tuple[Bound, ...] = get_args(Bound)

Strength = Literal["magnitude", "suction"]
"""What of a reading is held against the bounds, where it is not the reading itself.

* magnitude: people read it with either sign ("minus point eight five" of suction at a pressure switch).
* suction: how far it lies below zero; more negative is stronger, and a pressure above zero is weaker than none.
"""


class Limit(Data):
    """What a quantity is held against. All bounds are in `unit`; a value equal to a bound is within it.

    A limit without any bound says that one should exist but its value is not known (no plate to read): it
    judges nothing.
    """

    quantity: str
    unit: UnitName
    low: Decimal | None = None  # below this: fail
    high: Decimal | None = None  # above this: fail
    caution_low: Decimal | None = None  # below this but within the limit: caution
    caution_high: Decimal | None = None  # above this but within the limit: caution
    # A value equal to a bound is outside it, for rules worded "below" or "at this and above": all, or those named.
    exclusive: bool | tuple[Bound, ...] = False
    open_fails: bool = False  # open is a failure in itself, whatever the bounds (an igniter)
    # The meter should show OPEN (rod to ground, unlit); a number fails, unless `low` is given and met.
    wants_open: bool = False
    guarded: bool = False  # a safety limit: a conditional pass is not accepted
    authority: Authority
    source: Source
    condition: str = ""  # when it holds ("with all 24 V loads pulled in")
    caution_means: str = ""  # what a caution asks for, said with it ("find the cause")
    # What a reading that does not meet the limit forbids until it is mended and measured again.
    forbids: Forbids | None = None
    # Meeting the limit is no pass, only noted: another limit judges what is made of the reading (flue CO).
    only_fails: bool = False
    # The bounds are strengths: `low` is the weakest that is allowed, `high` the strongest.
    strength: Strength | None = None
    # The bound itself divides pass from fail, whatever the meter's uncertainty: there is a margin in it already.
    simple: bool = False
    # How far below or above `high` a value lies is told with the verdict, in percent of `high`.
    tells_percent: bool = False

    @model_validator(mode="after")
    def _makes_sense(self) -> Self:
        bounds = list(self.bounds.values())
        if bounds != sorted(bounds):
            raise ValueError(f"The bounds of {self.quantity} are not in order: low, caution low, caution high, high.")
        if self.wants_open and (self.high is not None or self.caution_high is not None):
            raise ValueError(f"The limit of {self.quantity} wants open and cannot have an upper bound.")
        if self.wants_open and not _is_resistance(self.unit):
            raise ValueError(f"The limit of {self.quantity} wants open but is not in ohms.")
        return self

    @property
    def bounds(self) -> dict[Bound, Decimal]:
        """The bounds that it has, from low to high."""
        return {name: bound for name in BOUNDS if (bound := getattr(self, name)) is not None}

    def is_exclusive(self, bound: Bound) -> bool:
        """Whether a value equal to this bound is outside it."""
        return self.exclusive if isinstance(self.exclusive, bool) else bound in self.exclusive

    def margin(self, bound: Bound, held: Decimal) -> Decimal | None:
        """How far inside a bound a value lies, below zero outside; None where there is no such bound. held: `held`."""
        at: Decimal | None = getattr(self, bound)
        if at is None:
            return None
        return held - at if bound in ("low", "caution_low") else at - held

    def is_beyond(self, bound: Bound, held: Decimal) -> bool:
        """Whether a value is outside a bound; not where it has no such bound. held: see `held`."""
        margin = self.margin(bound, held)
        if margin is None:
            return False
        return margin <= 0 if self.is_exclusive(bound) else margin < 0

    def held(self, value: Decimal) -> Decimal:
        """What of a reading is held against the bounds; with `strength` how strong it is, else the reading itself."""
        if self.strength == "magnitude":
            return abs(value)
        return -value if self.strength == "suction" else value

    def percent_above_high(self, value: Decimal) -> Decimal | None:
        """How far a value lies above `high`, in percent of it to a tenth; below zero where it lies below.

        None where that is not told.
        """
        if not self.tells_percent or not self.high:
            return None
        return round((self.held(value) - self.high) / self.high * 100, 1)

    @property
    def is_known(self) -> bool:
        """Whether there is anything to judge by."""
        return self.wants_open or bool(self.bounds)


def accepted(outcome: Outcome | None, limit: Limit | None) -> bool | None:
    """Whether a reading meets its limit; None where there was nothing to decide.

    A conditional pass is accepted unless the limit is guarded.
    """
    if outcome in (None, "cannot-judge", "noted"):
        return None
    if outcome == "conditional-pass":
        return limit is not None and not limit.guarded
    return outcome in ("pass", "caution")


@dataclass(frozen=True)
class Verdict:
    """How a reading stands against its limit, and by which rule that was decided."""

    outcome: Outcome
    limit: Limit | None
    # U (k = 2) of the reading, in the limit's unit; None if the meter's accuracy is not known.
    expanded_uncertainty: Decimal | None
    reason: str  # a short clause for display
    decision_rule: str  # how it was decided, for the record; empty where nothing was

    @property
    def accepted(self) -> bool | None:
        """See `accepted`."""
        return accepted(self.outcome, self.limit)

    @property
    def is_plain(self) -> bool:
        """Whether it plainly passes, or there was nothing to decide."""
        return self.outcome in ("pass", "noted", "cannot-judge")

    def forbids(self, value: Value) -> tuple[Act, ...]:
        """What the reading forbids until it is mended and measured again. value: as it was judged.

        More than the meter shows counts as above every bound.
        """
        if self.limit is None or self.limit.forbids is None:
            return ()
        rule = self.limit.forbids
        if value is OVER_RANGE:
            over = rule.above is not None or self.limit.high is not None
            return rule.acts if over and rule.below is None else ()
        if self.accepted is not False:
            return ()
        if isinstance(value, Decimal) and not rule.at(self.limit.held(value)):
            return ()
        return rule.acts


def judge(value: Value, limit: Limit | None, expanded_uncertainty: Decimal | None = None) -> Verdict:
    """Judge one reading.

    Args:
        value: the reading in the limit's unit, or OPEN or OVER_RANGE.
        limit: the limit; None if the quantity has none by design; one without bounds if it should have one.
        expanded_uncertainty: U (k = 2) of the reading, in the limit's unit; None if it is not known.

    Raises:
        ValueError: if the uncertainty is below zero, or the value or the uncertainty is not finite.
    """
    if expanded_uncertainty is not None and not (expanded_uncertainty.is_finite() and expanded_uncertainty >= 0):
        raise ValueError("An expanded uncertainty must be zero or more.")
    if isinstance(value, Decimal) and not value.is_finite():
        raise ValueError("A reading must be a finite number, OPEN or OVER_RANGE.")

    if value is OVER_RANGE:
        return Verdict("cannot-judge", limit, None, "over range: take it again on a higher range", "")
    if limit is None:
        return Verdict("noted", None, expanded_uncertainty, "no limit: noted", "")
    if value is OPEN and limit.open_fails:
        return Verdict("fail", limit, None, "open", "an open circuit is a failure in itself")
    if not limit.is_known:
        return Verdict("cannot-judge", limit, expanded_uncertainty, f"no {limit.authority} value is known", "")
    if isinstance(value, Overload):
        return _judge_open(limit)
    return _judge_number(value, limit, expanded_uncertainty)


def _judge_open(limit: Limit) -> Verdict:
    rule = "open circuit against the limit; no number was measured"
    if limit.wants_open:
        return Verdict("pass", limit, None, "open, as it should be", rule)
    if limit.high is not None:
        return Verdict("fail", limit, None, f"open; the limit is {_with_unit(limit.high, limit)}", rule)
    if not _is_resistance(limit.unit):
        # "OL" on volts is not a path that is open: without an upper bound it would pass as a high value.
        return Verdict("cannot-judge", limit, None, "over range: take it again on a higher range", "")
    if limit.caution_high is not None:
        reason = f"open; watch above {_with_unit(limit.caution_high, limit)}"
        return Verdict("caution", limit, None, reason, rule)
    return Verdict("pass", limit, None, "open: above the lower limit", rule)


def _judge_number(reading: Decimal, limit: Limit, expanded_uncertainty: Decimal | None) -> Verdict:
    value = limit.held(reading)
    if limit.simple:
        rule = "simple acceptance (ILAC-G8:09/2019, 4.2.1): there is a margin in the limit already"
    elif expanded_uncertainty is None:
        rule = "simple acceptance (ILAC-G8:09/2019, 4.2.1): the meter's accuracy is not known"
    else:
        width = _with_unit(round_significant(expanded_uncertainty, 2), limit)
        rule = f"four states (ILAC-G8:09/2019, 4.2.3), guard band w = U = {width}"

    if limit.wants_open and limit.low is None:
        return Verdict("fail", limit, expanded_uncertainty, "a path where open is wanted", rule)

    def verdict(outcome: Outcome, reason: str) -> Verdict:
        if (percent := limit.percent_above_high(reading)) is not None:
            side = "above" if percent > 0 else "below"
            reason += f"; {abs(percent)} % {side} {_with_unit(limit.high or value, limit)}"
        if limit.only_fails and outcome in ("pass", "caution"):
            return Verdict("noted", limit, expanded_uncertainty, "below its limit: noted", rule)
        return Verdict(outcome, limit, expanded_uncertainty, reason, rule)

    outcome: Outcome = "pass"
    reason = "within the limit"
    for bound, (side, how) in _SIDES.items():
        margin = limit.margin(bound, value)
        if margin is None:
            continue
        inside = not limit.is_beyond(bound, value)
        state = _state(inside, margin, None if limit.simple else expanded_uncertainty)
        if RANK.index(state) > RANK.index(outcome):
            outcome = state
            reasons = _STRENGTH_REASON if limit.strength else _STATE_REASON
            reason = reasons[state].format(side=side, how=how, bound=_with_unit(limit.bounds[bound], limit))

    if outcome in ("conditional-fail", "fail") or (outcome == "conditional-pass" and limit.guarded):
        # A guarded limit's conditional pass must not turn into an accepted caution.
        return verdict(outcome, reason)
    watch = _caution_reason(value, limit)
    if watch is None:
        return verdict(outcome, reason)
    return verdict("caution", watch if outcome == "pass" else f"{watch}; {reason}")


_STATE_REASON: dict[Outcome, str] = {
    "conditional-pass": "within the {side} limit of {bound} by less than the uncertainty",
    "conditional-fail": "outside the {side} limit of {bound} by less than the uncertainty",
    "fail": "outside the {side} limit of {bound}",
}
_STRENGTH_REASON: dict[Outcome, str] = {
    "conditional-pass": "nearly too {how}: within the limit of {bound} by less than the uncertainty",
    "conditional-fail": "too {how}: outside the limit of {bound} by less than the uncertainty",
    "fail": "too {how}: outside the limit of {bound}",
}
_SIDES: dict[Bound, tuple[str, str]] = {"low": ("lower", "weak"), "high": ("upper", "strong")}


def _state(inside: bool, margin: Decimal, expanded_uncertainty: Decimal | None) -> Outcome:
    if expanded_uncertainty is None:
        return "pass" if inside else "fail"
    if inside:
        return "pass" if margin >= expanded_uncertainty else "conditional-pass"
    return "conditional-fail" if margin >= -expanded_uncertainty else "fail"


def _caution_reason(value: Decimal, limit: Limit) -> str | None:
    below, above = ("weaker than", "stronger than") if limit.strength else ("below", "above")
    sides: tuple[tuple[Bound, str], ...] = (("caution_low", below), ("caution_high", above))
    for bound, side in sides:
        if limit.is_beyond(bound, value):
            at_or = "at or " if limit.is_exclusive(bound) else ""
            return f"watch {at_or}{side} {_with_unit(limit.bounds[bound], limit)}"
    return None


def _with_unit(value: Decimal, limit: Limit) -> str:
    return f"{value:f} {UNIT_SYMBOL[limit.unit]}".rstrip()


def _is_resistance(unit: str) -> bool:
    return same_dimension(unit, "ohm")
