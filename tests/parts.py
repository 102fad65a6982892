"""The system parts that some tests need, and how to get them.

`python tests/parts.py` installs what is missing where apt may be used (as root). A test asks with the fixture
`need("postgresql")`: without the part it fails where CI is true; elsewhere it is not run, and the run ends by
naming the part and the command that installs it.
"""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from ctypes.util import find_library
from dataclasses import dataclass
from pathlib import Path


@dataclass(frozen=True)
class Part:
    """programs: any path or name that must be there, all of them; libraries: shared ones; packages: Debian's."""

    packages: tuple[str, ...]
    programs: tuple[str, ...] = ()
    libraries: tuple[str, ...] = ()
    folders: tuple[str, ...] = ()

    def there(self) -> bool:
        """Whether all of it is on this machine."""
        return (
            all(shutil.which(program) for program in self.programs)
            and all(find_library(name) for name in self.libraries)
            and all(any(Path("/").glob(pattern)) for pattern in self.folders)
        )

    @property
    def mend(self) -> str:
        """The line that installs it."""
        return f"apt-get install {' '.join(self.packages)}"


PARTS: dict[str, Part] = {
    "postgresql": Part(("postgresql",), folders=("usr/lib/postgresql/*/bin/postgres",)),
    "chromium": Part(("chromium",), programs=("chromium",)),
    "portaudio": Part(("libportaudio2",), libraries=("portaudio",)),
    "pulseaudio": Part(
        ("pulseaudio", "pulseaudio-utils", "libasound2-plugins", "libportaudio2"),
        programs=("pulseaudio", "pactl", "paplay", "parec"),
        libraries=("portaudio",),
        folders=("usr/lib/*/alsa-lib/libasound_module_pcm_pulse.so",),
    ),
    "pango": Part(
        ("libpango-1.0-0", "libpangoft2-1.0-0", "libharfbuzz-subset0", "fonts-liberation"),
        libraries=("pango-1.0", "pangoft2-1.0", "harfbuzz-subset"),
    ),
    "systemd": Part(("systemd",), programs=("systemd-analyze",)),
    "pdftoppm": Part(("poppler-utils",), programs=("pdftoppm", "pdftotext")),
}


def missing() -> dict[str, Part]:
    """The parts that are not on this machine."""
    return {name: part for name, part in PARTS.items() if not part.there()}


def install() -> None:
    """Installs what is missing where apt may be used; says what it did. What stays missing is told by the tests."""
    absent = missing()
    if not absent:
        return
    mend = {package: None for part in absent.values() for package in part.packages}
    if not shutil.which("apt-get") or os.geteuid() != 0:
        print(f"Not installed here: {', '.join(absent)}. To run every test: apt-get install {' '.join(mend)}")
        return
    print(f"Installing for the tests: {' '.join(mend)}")
    environment = {**os.environ, "DEBIAN_FRONTEND": "noninteractive"}
    for line in (["update", "-qq"], ["install", "-y", "-qq", "--no-install-recommends", *mend]):
        done = subprocess.run(
            ["apt-get", *line],
            env=environment,
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            text=True,
            check=False,
        )
        if done.returncode:
            print(f"apt-get {' '.join(line)} failed:\n{done.stdout[-2000:]}", file=sys.stderr)
            return


if __name__ == "__main__":
    install()
