"""A procedure in a file of its own, as a shop writes it."""

from assistant.files import PROCEDURES, TRADE_DATA, library


def own_procedure(name: str) -> str:
    """One of the shipped procedures as the text of a file."""
    procedure = library().procedures[name]
    _, steps, rest = (TRADE_DATA / PROCEDURES).read_text(encoding="utf-8").partition("\nsteps:\n")
    head = procedure.model_dump(include={"name", "title", "ignition", "fuel", "visit", "order"})
    return "\n".join(f"{key}: {value}" for key, value in head.items()) + "\n" + steps + rest
