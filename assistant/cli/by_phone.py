"""The options of the commands that take a phone for their microphone, and what they show."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, TextIO, cast

import typer
from rich.console import Console

from assistant.cli.terminal import lines as out
from assistant.errors import Problem
from assistant.wording import phone as wording

if TYPE_CHECKING:  # nothing of a phone is imported where none is asked for
    from assistant.phone.line import Line
    from assistant.phone.server import Place, Server

PHONE = Annotated[bool, typer.Option("--phone", help="A phone's browser is the microphone and the loudspeaker.")]
ADDRESS = Annotated[
    str | None, typer.Option("--phone-address", help="Name or address by which the phone reaches this machine.")
]
PORT = Annotated[int, typer.Option("--phone-port", help="Port of the phone's page.", min=1, max=65535)]
CERTIFICATE = Annotated[
    Path | None, typer.Option("--phone-certificate", help="A PEM file with key and chain, instead of a self-made one.")
]
USUAL_PORT = 8766


def place_for(
    phone: bool,
    address: str | None,
    port: int,
    certificate: Path | None,
    not_with: Mapping[str, object],
    with_helper: bool = False,
) -> Place | None:
    """Where the phone's page is served; None without --phone. not_with: options that the phone takes the place of.

    Raises Problem.
    """
    if not phone:
        if address or certificate or with_helper:
            raise Problem(wording.WITHOUT)
        return None
    from assistant.phone import tls
    from assistant.phone.server import Place, address_here
    from assistant.review.web.guard import LOOPBACK

    if wrong := [option for option, given in not_with.items() if given]:
        raise Problem(wording.EITHER.format(options=" and ".join(wrong)))
    address = address or address_here()
    if certificate:
        return Place(address, port, tls.given(certificate))
    return Place(address, port, None if address in LOOPBACK else tls.own(address))


def show(server: Server, lines: list[Line], out: Console = out) -> None:
    """Prints each phone's address, also as a QR code, and the fingerprint to compare."""
    import segno

    for line in lines:
        address = f"{server.place.origin}/#{line.code}"
        out.print(wording.OPEN.format(phone=wording.PHONES[line.role], address=address), markup=False)
        segno.make(address).terminal(cast("TextIO", out.file), compact=True)
    if server.place.certificate:
        out.print(wording.FINGERPRINT.format(fingerprint=server.place.certificate.fingerprint))
    out.print(wording.TAP)
    out.print(wording.LOOK.format(address=f"{server.place.origin}/now/{server.look}"), markup=False)
    out.print(wording.WAITS)
