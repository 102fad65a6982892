"""What an unsafe finding can do to people, and what puts it right: both go into the notice."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from assistant.trade.model import Data

OTHER = "other"
"""The risk of what the data names no other for."""


class Risk(Data):
    """Of a test that a step proves, by its name, or one with a name of its own."""

    hazard: str  # what it can do to people
    restores: str  # what has to be done before the appliance is used again
    # The quantities, findings and checks (ids of steps) that it is about, besides the test of its name.
    of: tuple[str, ...] = ()


def risk_of(risks: Mapping[str, Risk], about: str, proves: Sequence[str] = ()) -> Risk:
    """The risk of a quantity, finding or check that is unsafe, else of the first of the tests that its step proves."""
    named = [name for name, risk in risks.items() if about in risk.of]
    return risks[[*named, *proves, OTHER][0]]
