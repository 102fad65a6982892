"""A PostgreSQL of its own for tests and benches: a new cluster in a temporary folder, on a free loopback port."""

from __future__ import annotations

import os
import pwd
import shutil
import socket
import subprocess
import tempfile
import uuid
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import psycopg

USER = "postgres"  # the server refuses to run as root; Debian's package makes this user


class Cluster:
    def __init__(self, port: int) -> None:
        self.port = port

    def url(self, name: str) -> str:
        return f"postgresql://shop@127.0.0.1:{self.port}/{name}"

    def database(self) -> str:
        """The address of a new, empty database."""
        name = f"shop_{uuid.uuid4().hex[:12]}"
        with psycopg.connect(self.url("postgres"), autocommit=True) as connection:
            connection.execute(f"CREATE DATABASE {name}")
        return self.url(name)


@contextmanager
def cluster() -> Iterator[Cluster]:
    """Starts it, and stops it at the end whatever happens."""
    programs = sorted(Path("/usr/lib/postgresql").glob("*/bin"))[-1]
    folder = Path(tempfile.mkdtemp(prefix="shop-pg-"))
    as_user: list[str] = []
    if os.geteuid() == 0:
        user = pwd.getpwnam(USER)
        os.chown(folder, user.pw_uid, user.pw_gid)
        as_user = ["runuser", "-u", USER, "--"]
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = probe.getsockname()[1]
    data = folder / "data"

    def run(program: str, *arguments: str) -> None:
        log = folder / "run.log"
        with log.open("w") as out:  # a pipe would stay open as long as the server runs
            done = subprocess.run(
                [*as_user, str(programs / program), *arguments], stdout=out, stderr=out, cwd=folder, check=False
            )
        if done.returncode:
            raise RuntimeError(f"{program} failed: {log.read_text()}")

    try:
        run("initdb", "-D", str(data), "-U", "shop", "-A", "trust", "-E", "UTF8", "--locale=C.UTF-8")
        options = f"-p {port} -k {folder} -c listen_addresses=127.0.0.1"
        run("pg_ctl", "-D", str(data), "-w", "-l", str(folder / "server.log"), "-o", options, "start")
        try:
            yield Cluster(port)
        finally:
            run("pg_ctl", "-D", str(data), "-m", "immediate", "-w", "stop")
    finally:
        shutil.rmtree(folder, ignore_errors=True)
