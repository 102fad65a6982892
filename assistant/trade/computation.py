"""What can be worked out: a formula with its inputs, units and source, and where the inputs come from in a visit."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from decimal import Decimal, InvalidOperation

from assistant.trade.formulas.demand import demand
from assistant.trade.formulas.uncertainty import COVERAGE_FACTOR, combine_uncertainties
from assistant.trade.job import Fuel, Job
from assistant.trade.units import UNIT_SYMBOL

UNCERTAINTY = "U_"  # before an input's key: its expanded uncertainty (k = 2), in the input's unit

Given = Decimal | str
"""A number in the unit of its input, or one of its words."""


@dataclass(frozen=True)
class Feed:
    """Where an input comes from in a visit: the first of these that there is."""

    quantity: str = ""  # a reading of the visit, in the unit of its question or converted to `unit`
    job: Callable[[Job], Given | None] | None = None  # what the job file says
    computation: str = ""  # the result of another computation
    generic: Decimal | None = None  # a figure that stands in where nobody knows better
    generic_says: str = ""  # how the generic figure is named aloud
    generic_for: Fuel | None = None  # the fuel that the generic figure is for; None: any
    unit: str = ""
    # The quantity may be asked aside, for nothing there can hurt; else it is read at its own step, with warnings.
    ask: bool = False
    burner: bool = False  # what is asked is read with the burner running
    others_off: bool = False  # it is the time by the gas meter, for which all other gas on it is off
    half_width_percent: Decimal | None = None  # what a value may be off by, in percent, where no meter tells


@dataclass(frozen=True)
class Input:
    """One input."""

    key: str  # as it is given ("co_ppm=87"); in small letters the name of the formula's argument
    unit: str  # for people
    default: str | None = None  # None where it must be given; "" where it may be left out
    choices: Mapping[str, str] | None = None  # of a word: what it may be -> what the formula takes. None for a number
    feed: Feed | None = None  # where it comes from in a visit; None: nowhere, and the default is taken


@dataclass(frozen=True)
class Worked:
    """A result."""

    name: str
    value: Given
    unit: str  # as it is printed
    expanded_uncertainty: Decimal | None  # in `unit`, k = 2
    assumptions: tuple[str, ...]
    source: str


@dataclass(frozen=True)
class Computation:
    """Something that can be worked out by name, from values that are given or from those of a visit."""

    name: str
    title: str
    unit: str  # of the result: a name in `UNITS`, else as it is printed; empty where it is a word
    takes: tuple[Input, ...]
    of: Callable[..., Given]  # the formula, called with the inputs by name
    source: str
    example: Mapping[str, str]  # one set of inputs
    assumptions: tuple[str, ...] = ()
    # Of the result, where it does not follow from those of the inputs; called as `of`.
    uncertainty: Callable[..., Decimal] | None = None
    notes: Callable[..., tuple[str, ...]] | None = None  # what is assumed with these inputs; called as `of`
    spoken: str = ""  # how it is said; empty where it is not worked out in a visit
    plain: str = ""  # what it is, as `Quantity.plain`
    finding: bool = False  # a step works it out too, from the readings that it needs, and a limit may judge it
    assumption: str = ""  # what it rests on besides the readings, said with it as a finding
    trend: bool = False  # how it goes over the years tells something; it is compared aloud with earlier visits
    must_not_rise: bool = False  # from one reading to the next of the same burn, as `Quantity.must_not_rise`
    generic_says: str = ""  # a constant that it rests on besides its inputs, as it is said
    caution: str = ""  # said with it when it is worked out by voice

    @property
    def printed_unit(self) -> str:
        """The unit of the result as it is printed, in characters that every keyboard has."""
        return UNIT_SYMBOL.get(self.unit, self.unit).replace("°", "deg").replace("³", "3")

    @property
    def readings(self) -> tuple[str, ...]:
        """The quantities that it needs as a finding: those that the job file does not say."""
        return tuple(i.feed.quantity for i in self.takes if i.feed and i.feed.quantity and not i.feed.job)

    def work_out(self, given: Mapping[str, Given]) -> Worked:
        """The result from inputs by key, each as a number or as text.

        An input's expanded uncertainty is given as U_KEY; with any of them the result has one, by the law of
        propagation for uncorrelated inputs (from memory, verify: JCGM 100, 5.1.2 and 5.1.3, sensitivities by
        differences).

        Raises:
            ValueError: one sentence, for a key or value that does not fit.
        """
        values, doubts = self._read(given)
        value = self.of(**values)
        expanded = None
        if self.uncertainty:
            expanded = self.uncertainty(**values)
        elif doubts and isinstance(value, Decimal):
            expanded = combine_uncertainties(
                (self._sensitivity(values, key, doubt), doubt) for key, doubt in doubts.items() if doubt
            )
        notes = self.notes(**values) if self.notes else ()
        return Worked(self.name, value, self.printed_unit, expanded, (*self.assumptions, *notes), self.source)

    def _read(self, given: Mapping[str, Given]) -> tuple[dict[str, Given], dict[str, Decimal]]:
        """The inputs by the argument that they are, and the expanded uncertainties of the numbers by key."""
        known = [each.key for each in self.takes]
        doubtful = [each.key for each in self.takes if each.choices is None] if not self.uncertainty else []
        for key in given:
            demand(
                key in known or key.removeprefix(UNCERTAINTY) in doubtful,
                f"{self.name} takes no {key}; it takes {', '.join(known)}"
                + (f", and {UNCERTAINTY}KEY for the uncertainty of each." if doubtful else "."),
            )
        values: dict[str, Given] = {}
        for each in self.takes:
            value = given.get(each.key, each.default)
            if value is None:
                raise ValueError(f"{self.name} also needs {each.key}= ({each.unit}).")
            if value == "":
                continue  # an input that may be left out
            values[each.key.lower()] = _number(each.key, value) if each.choices is None else _word(each, value)
        doubts = {key: _number(doubt, given[doubt]) for key in doubtful if (doubt := UNCERTAINTY + key) in given}
        for key, expanded in doubts.items():
            demand(expanded >= 0, f"{UNCERTAINTY}{key} must be 0 or more.")
        return values, doubts

    def _sensitivity(self, values: Mapping[str, Given], key: str, doubt: Decimal) -> Decimal:
        """The result's change per unit of an input, over its standard uncertainty to either side (JCGM 100, 5.1.3)."""
        step = doubt / COVERAGE_FACTOR
        name = key.lower()
        middle = values[name]
        assert isinstance(middle, Decimal)
        try:
            high = self.of(**{**values, name: middle + step})
            low = self.of(**{**values, name: middle - step})
        except ValueError as wrong:
            raise ValueError(f"With {UNCERTAINTY}{key} the value leaves the range of the formula: {wrong}") from wrong
        assert isinstance(high, Decimal)
        assert isinstance(low, Decimal)
        return (high - low) / (2 * step)


def _word(given: Input, word: Given) -> str:
    choices = given.choices or {}
    demand(str(word).lower() in choices, f"{given.key} must be {' or '.join(choices)}, not {word!r}.")
    return choices[str(word).lower()]


def _number(key: str, text: Given) -> Decimal:
    try:
        value = Decimal(text)
    except InvalidOperation:
        raise ValueError(f"{key} must be a number, not {text!r}.") from None
    demand(value.is_finite(), f"{key} must be a finite number, not {text!r}.")
    return value
