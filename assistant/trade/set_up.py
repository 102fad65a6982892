"""What the set-up by voice asks; the questions themselves are in data/set_up.yaml."""

from __future__ import annotations

from decimal import Decimal

from pydantic import Field

from assistant.trade.job import Ignition
from assistant.trade.model import Data, UnitName
from assistant.trade.quantities import Quantity


class Figure(Data):
    """What a figure may be."""

    low: Decimal = Decimal(1)
    high: Decimal
    resolution: Decimal = Decimal(1)
    unit: UnitName = "dimensionless"


class Asked(Data):
    """One thing that is asked."""

    name: str
    path: tuple[str, ...]  # where a job file has it
    ask: str
    without: str = ""  # what is said when it is left out; empty where it cannot be
    words: str = ""  # the rule of setup.jsgf, where the answer is words
    figure: Figure | None = None
    of: Quantity | None = None  # the figure, where it is not a plain number
    span: bool = False  # it is a lowest and a highest one
    as_said: str = "{}"  # what the job file says for the answer
    confirm: bool = False  # it needs a spoken yes
    help: str = ""  # what is said where the answer was not understood
    unless: tuple[str, ...] = ()  # not asked where the job file has this
    ignition: Ignition | None = None  # asked of this ignition system alone
    needed_for: str = Field("", alias="for")  # asked where the procedure works this out

    @property
    def quantity(self) -> Quantity | None:
        """What its figure is, for hearing it; None where the answer is words."""
        if self.of or self.figure is None:
            return self.of
        return Quantity(name=self.name, spoken=self.name, **self.figure.model_dump())
