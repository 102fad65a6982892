"""HTTPS for the phone's page: its certificate, made here once for each address or a shop's own, and the one sentence
for whoever asks without it."""

from __future__ import annotations

import asyncio
import os
import socket
import ssl
from contextlib import suppress
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any, cast

import trustme
from cryptography import x509
from cryptography.hazmat.primitives.hashes import SHA256
from uvicorn.protocols.http.auto import AutoHTTPProtocol

from assistant.errors import Problem
from assistant.places import user_data, write_whole
from assistant.wording import phone as wording

DAYS = 800
"""Systems of phones refuse a certificate of more than 825 days (from memory, verify)."""

TLS_HANDSHAKE = b"\x16"
"""The first byte of a TLS connection (RFC 8446, 5.1)."""
FIRST_BYTE_S = 10.0


@dataclass(frozen=True)
class Certificate:
    """A key with its chain, for the server; and what a person compares with the phone's warning."""

    context: ssl.SSLContext
    fingerprint: str


def own(address: str, folder: Path | None = None) -> Certificate:
    """The certificate for this machine at `address`: the one made before while it holds for a visit, else a new one.

    Its key stays here, in a file that only this user reads. That of the authority which signed it is thrown away, so
    that a phone may be told to trust it: it can never sign another one.
    """
    folder = folder or user_data() / "phone"
    path = folder / f"{address.replace(':', '-')}.pem"
    until = datetime.now(UTC) + timedelta(days=1)
    if not path.exists() or x509.load_pem_x509_certificate(path.read_bytes()).not_valid_after_utc < until:
        folder.mkdir(parents=True, exist_ok=True, mode=0o700)
        authority = trustme.CA(organization_name="ignition assistant", organization_unit_name=address)
        issued = authority.issue_cert(address, not_after=datetime.now(UTC) + timedelta(days=DAYS))
        write_whole(path, issued.private_key_and_cert_chain_pem.bytes() + authority.cert_pem.bytes())
        path.chmod(0o600)
    return given(path)


def given(path: Path) -> Certificate:
    """The certificate of a PEM file with its key and its chain. Raises Problem."""
    try:
        context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
        context.load_cert_chain(path)
        digest = x509.load_pem_x509_certificate(path.read_bytes()).fingerprint(SHA256())
    except (OSError, ValueError) as wrong:
        raise Problem(wording.CERTIFICATE.format(path=path, why=wrong)) from wrong
    return Certificate(context, digest.hex(":").upper())


class HttpsOnly(asyncio.Protocol):
    """Serves a connection that begins as TLS does; any other is answered by one sentence. Made by uvicorn, as its
    protocol of HTTP; `context` is the server's."""

    context: ssl.SSLContext

    def __init__(self, **of: Any) -> None:
        self._of = of
        self._early = b""

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        """Looks at its first byte, and leaves it to be read."""
        plain = cast("asyncio.Transport", transport)
        plain.pause_reading()
        self._task = asyncio.get_running_loop().create_task(self._serve(plain))

    async def _serve(self, plain: asyncio.Transport) -> None:
        loop, came = asyncio.get_running_loop(), asyncio.Event()
        with socket.socket(fileno=os.dup(plain.get_extra_info("socket").fileno())) as beside:
            loop.add_reader(beside, came.set)
            try:
                await asyncio.wait_for(came.wait(), FIRST_BYTE_S)
                secure = beside.recv(1, socket.MSG_PEEK) == TLS_HANDSHAKE
                if not secure:
                    beside.recv(65_536)  # closed with a request unread, the answer would be lost
            except (TimeoutError, OSError):
                plain.abort()
                return
            finally:
                loop.remove_reader(beside)
        if not secure:
            plain.write(f"HTTP/1.1 400 Bad Request\r\nConnection: close\r\n\r\n{wording.PLAIN}\n".encode())
            plain.close()
            return
        with suppress(OSError, asyncio.IncompleteReadError):  # a phone that does not trust it yet goes away
            if secured := await loop.start_tls(plain, self, self.context, server_side=True):
                inner: asyncio.Protocol = AutoHTTPProtocol(**self._of)
                inner.connection_made(secured)
                secured.set_protocol(inner)
                if self._early:
                    inner.data_received(self._early)

    def data_received(self, data: bytes) -> None:
        """Keeps what comes with the handshake."""
        self._early += data
