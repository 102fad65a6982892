"""`assistant self-check`: what is there and what is missing, or what the room is like."""

from __future__ import annotations

import sys
from collections.abc import Callable
from dataclasses import asdict
from functools import partial
from pathlib import Path
from typing import Annotated, Any

import typer
from rich.markup import escape
from rich.table import Table

from assistant import selfcheck
from assistant.cli import by_phone
from assistant.cli.terminal import LOUDSPEAKER, MICROPHONE, console, errors, print_json
from assistant.errors import Problem
from assistant.places import voice_cache
from assistant.speech.devices import MicrophoneLost
from assistant.speech.models import user_store
from assistant.speech.player import PlayerError
from assistant.speech.route import sound_card
from assistant.speech.voice import VoiceError


def self_check(
    listen: Annotated[
        bool, typer.Option("--listen", help="Measure the room instead: noise, speech, what comes back of the voice.")
    ] = False,
    microphone: MICROPHONE = None,
    loudspeaker: LOUDSPEAKER = None,
    phone: by_phone.PHONE = False,
    phone_address: by_phone.ADDRESS = None,
    phone_port: by_phone.PORT = by_phone.USUAL_PORT,
    phone_certificate: by_phone.CERTIFICATE = None,
    as_json: Annotated[bool, typer.Option("--json", help="One JSON value.")] = False,
) -> None:
    """Say what is there and what is missing, each with the command that fixes it; or measure the room, with --phone by
    a phone and with its network.

    Exit status 1: a visit by microphone cannot be held, one from recordings can; 2: none can, or the room is too loud,
    or the phone's network too slow.
    """
    model = user_store().model_in_use()
    taken = {"--microphone": microphone, "--loudspeaker": loudspeaker}
    if place := by_phone.place_for(phone, phone_address, phone_port, phone_certificate, taken):
        from assistant.phone import measuring

        show = partial(by_phone.show, out=errors)
        sys.exit(_measure(lambda tell: measuring.listen(model, place, show, tell), as_json))
    if listen:
        card = partial(sound_card, microphone=microphone, loudspeaker=loudspeaker)
        sys.exit(_measure(lambda tell: selfcheck.listen(model, voice_cache(), card, tell), as_json))
    if wrong := [option for option, given in taken.items() if given]:
        raise Problem(f"The room is measured by {' and '.join(wrong)}: add --listen.")
    sys.exit(_check(model, as_json))


def _check(model: Path, as_json: bool) -> int:
    """Prints what is there and what is missing; the exit status."""
    parts = list(selfcheck.checks(model))
    if as_json:
        print_json([asdict(part) for part in parts])
    else:
        table = Table("part", "state", "what fixes it")
        for part in parts:
            state = "[green]there[/]" if part.found else "[red]missing[/]" if part.needed else "[yellow]missing[/]"
            table.add_row(part.name, f"{state} {escape(part.detail)}", "" if part.found else escape(part.fix))
        console.print(table)
    return max((2 if part.needed else 1 for part in parts if not part.found), default=0)


def _measure(measure: Callable[[Callable[[str], None]], dict[str, Any]], as_json: bool) -> int:
    """Measures the room and prints what was found; the exit status."""

    def tell(text: str) -> None:
        errors.print(f"[cyan]< {escape(text)}[/]")

    try:
        found = measure(tell)
    except (MicrophoneLost, PlayerError, VoiceError) as lost:
        raise Problem(str(lost)) from lost
    if as_json:
        print_json(found)
    else:
        console.print(room_table(found))
    good = found["heard_right"] and found["distance"] != "too far" and found.get("line_good_enough", True)
    return 0 if good else 2


def room_table(found: dict[str, Any]) -> Table:
    """What was measured of the room, and what to do about it."""
    table = Table("what", "measured", "what it means")
    table.add_row("microphone", f"{escape(found['microphone'])}, {found['microphone_hz']} Hz", "")
    table.add_row("loudspeaker", escape(found["loudspeaker"]), "")
    table.add_row("noise", f"{found['noise_dbfs']:.1f} dBFS", "")
    if found["speech_dbfs"] is not None:
        clipped = "Too loud: the sound is cut off. Turn the microphone's level down." if found["clipped"] else ""
        table.add_row("speech", f"{found['speech_dbfs']:.1f} dBFS", clipped)
    ratio = found["speech_to_noise_db"]
    told = "-" if ratio is None else f"{ratio:.0f} dB"
    table.add_row("speech to noise", told, found["sentence"])
    wrong = "" if found["heard_right"] else "That is not the sentence. Try again."
    table.add_row("heard", escape(found["heard"] or "-"), wrong)
    if found["own_voice_heard"]:
        over = f"{found['own_voice_over_noise_db']:.0f} dB over the noise"
        after = f"{found['own_voice_after_s']:.2f} s after its end"
        table.add_row("own voice", f"after {1000 * found['delay_s']:.0f} ms, {over}, {after}", "")
    else:
        table.add_row("own voice", "nothing comes back", "A headset: assistant visit --headset")
    if found["sound_lost"]:
        table.add_row("sound lost", f"{found['sound_lost']} times", "Close other programs.")
    if "round_trip_ms" in found:
        trip = f"{found['round_trip_ms']} ms, 95 of 100 below {found['round_trip_p95_ms']} ms"
        table.add_row("round trip", trip, found["line"])
        missing = f"{found['gaps']} times, {found['missing_s']:.2f} s"
        table.add_row("sound missing", missing, "" if found["gaps"] == 0 else "Go nearer to the network.")
    table.add_row("tail", f"{found['tail_s']:.2f} s", f"assistant visit --tail {found['tail_s']:.2f}")
    return table
