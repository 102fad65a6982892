"""A small model, archives of it, a local server that can misbehave, and a store in folders of the test."""

import io
import random
import tarfile
import threading
import time
import zipfile
from dataclasses import dataclass, field
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from types import SimpleNamespace

import pytest

from assistant.speech.manifest import folder_sums
from assistant.speech.models import ModelStore

# Larger than some pieces of the download and as hard to compress as a network is.
NETWORK = random.Random(1).randbytes(400_000)
MODEL = {
    "am/final.mdl": NETWORK,
    "conf/model.conf": b"--beam=12.0\n",
    "conf/mfcc.conf": b"--sample-frequency=16000\n",
    "graph/HCLr.fst": b"look-ahead graph",
    "graph/Gr.fst": b"grammar graph",
    "graph/words.txt": b"one 1\ntwo 2\n",
}
TAR_KINDS = {"tar": "w", "tar.gz": "w:gz", "tar.bz2": "w:bz2", "tar.xz": "w:xz"}


def zip_of(files, folder="small/"):
    data = io.BytesIO()
    with zipfile.ZipFile(data, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, content in files.items():
            archive.writestr(folder + name, content)
    return data.getvalue()


def tar_of(files, kind="tar.gz", folder="small/"):
    data = io.BytesIO()
    with tarfile.open(fileobj=data, mode=TAR_KINDS[kind]) as archive:
        for name, content in files.items():
            member = tarfile.TarInfo(folder + name)
            member.size = len(content)
            archive.addfile(member, io.BytesIO(content))
    return data.getvalue()


def write_folder(folder, files=MODEL):
    for name, content in files.items():
        (folder / name).parent.mkdir(parents=True, exist_ok=True)
        (folder / name).write_bytes(content)
    return folder


@dataclass
class Server:
    """What the local server does. Every request takes the next entry of each list that has one left."""

    address: str = ""
    content: bytes = zip_of(MODEL)
    cuts: list[int] = field(default_factory=list)  # bytes after which the connection is dropped
    stalls: list[float] = field(default_factory=list)  # seconds to wait before that drop
    statuses: list[int] = field(default_factory=list)
    asked: int = 0  # how often

    @property
    def url(self):
        return f"{self.address}/small.zip"


@pytest.fixture
def server(monkeypatch):
    it = Server()

    class Handler(BaseHTTPRequestHandler):
        def do_GET(self):
            it.asked += 1
            if it.statuses and (status := it.statuses.pop(0)) != 200:
                self.send_error(status)
                return
            body = it.content
            self.send_response(200)
            self.send_header("Content-Length", str(len(body)))
            self.end_headers()
            if it.cuts:
                body = body[: it.cuts.pop(0)]
            self.wfile.write(body)
            self.wfile.flush()
            if it.stalls:
                time.sleep(it.stalls.pop(0))

        def log_message(self, *_):
            pass

    monkeypatch.setenv("NO_PROXY", "127.0.0.1")
    http = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
    it.address = f"http://127.0.0.1:{http.server_address[1]}"
    thread = threading.Thread(target=http.serve_forever, kwargs={"poll_interval": 0.01})
    thread.start()
    yield it
    http.shutdown()
    thread.join()
    http.server_close()


@dataclass
class Home:
    """A store in the test's own folders, and what the manifest says in it."""

    folder: Path
    server: Server

    def store(self, **small):
        """A new store; `small` are further facts of the model `small`, which the server has."""
        known = {
            "url": self.server.url,
            "size_bytes": len(self.server.content),
            "run_time_words": True,
        } | small
        bundled = write_folder(self.folder / "manifest" / "field_model")
        tables = [
            _table("small", known),
            _table("large", {"url": f"{self.server.address}/large.zip", "size_bytes": 9, "run_time_words": False}),
            _table("field_model", {"folder": "field_model", "size_bytes": 9, "run_time_words": True}),
            "[model.files]",
            *(f'"{name}" = "{digest}"' for name, digest in folder_sums(bundled).items()),
        ]
        file = self.folder / "manifest" / "models.toml"
        file.write_text("\n".join(tables) + "\n", encoding="utf-8")
        return ModelStore(file, self.folder / "data", self.folder / "config")

    def left_over(self):
        """Every file below the user's data folder but the pins."""
        files = (self.folder / "data").rglob("*")
        return sorted(file.name for file in files if file.is_file() and file.name != "pins.json")


def _table(name, facts):
    facts = {"name": name, "language": "en-US", "licence": "Apache-2.0", "source": "a test"} | facts
    facts |= {"sample_rate_hz": 16000}
    return "[[model]]\n" + "\n".join(f"{key} = {_toml(value)}" for key, value in facts.items())


def _toml(value):
    return f'"{value}"' if isinstance(value, str) else str(value).lower()


@pytest.fixture
def home(tmp_path, server):
    return Home(tmp_path, server)


@pytest.fixture
def build():
    """Makes archives and folders of {name: content}."""
    return SimpleNamespace(model=MODEL, network=NETWORK, zip=zip_of, tar=tar_of, folder=write_folder)
