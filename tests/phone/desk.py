"""The machine's side of a phone's line, served without a visit."""

from __future__ import annotations

import socket

import numpy as np
from client import Phone

from assistant.phone.line import Line, PhoneRoute
from assistant.phone.server import Place, Server
from assistant.review.web.now import Follower
from assistant.speech.audio import Audio

CLIP = Audio(np.ones(800, np.int16), 16_000)


def free_port() -> int:
    with socket.create_server(("127.0.0.1", 0)) as bound:
        return bound.getsockname()[1]


class Desk:
    """The machine's side: a server with its lines, and what it showed."""

    def __init__(self, folder, certificate=None):
        self.told: list[str] = []
        self.lines = [Line("technician", 16_000), Line("helper", 16_000)]
        self.place = Place("localhost", free_port(), certificate)
        self.server = Server(self.lines, Follower(folder), self.place, CLIP, self.told.append)
        self.route = PhoneRoute(*self.lines)
        self.phones: list[Phone] = []

    def phone(self, code: str | None = None, **more) -> Phone:
        """A phone that gives the technician's code, if no other."""
        phone = Phone(self.place.origin, self.lines[0].code or "" if code is None else code, **more)
        self.phones.append(phone)
        return phone
