"""What every formula demands of its values."""

from decimal import Decimal


def demand(condition: bool, sentence: str) -> None:
    """Raises ValueError with that sentence unless the condition holds."""
    if not condition:
        raise ValueError(sentence)


def within(
    what: str,
    value: Decimal,
    unit: str,
    *,
    above: int | Decimal | None = None,
    at_least: int | Decimal | None = None,
    at_most: int | Decimal | None = None,
) -> None:
    """Refuses a value outside a range, or one that is not a finite number.

    Raises:
        ValueError: one sentence with the name, the value and the range.
    """
    parts = [
        f"above {above}" if above is not None else "",
        f"at least {at_least}" if at_least is not None else "",
        f"at most {at_most}" if at_most is not None else "",
    ]
    holds = value.is_finite() and (
        (above is None or value > above)
        and (at_least is None or value >= at_least)
        and (at_most is None or value <= at_most)
    )
    demand(holds, f"{what} must be {' and '.join(filter(None, parts))} {unit}; it was {value}.".replace(" ;", ";"))
