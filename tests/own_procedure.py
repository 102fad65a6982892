"""A procedure in a file of its own, as a shop writes it."""

from functools import cache

from assistant.files import PROCEDURES, TRADE_DATA, Library


@cache
def own_procedure(name: str) -> str:
    """One of the shipped procedures as the text of a file."""
    procedure = _shipped().procedures[name]
    _, steps, rest = (TRADE_DATA / PROCEDURES).read_text(encoding="utf-8").partition("\nsteps:\n")
    head = procedure.model_dump(include={"name", "title", "ignition", "fuel", "visit", "order"})
    return "\n".join(f"{key}: {value}" for key, value in head.items()) + "\n" + steps + rest


@cache
def _shipped() -> Library:
    return Library()
