"""How long the commands take to start, beside a Python that does nothing: medians, printed, never asserted.

    python tests/bench/start.py [RUNS]

Wall time on a machine that does other work says little; the processor's time is steadier, and so is its ratio to that
of a Python that does nothing. The first run of each, which fills the caches, is left out.
"""

from __future__ import annotations

import os
import resource
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from statistics import median

from assistant.places import top_folder
from assistant.speech.audio import Audio, read_audio, write_flac

VISITS = top_folder("audio_fixtures") / "visits"
NOTHING = "python -c pass"
FIRST_PROMPT = "visit, to the first prompt"


def commands(folder: Path) -> dict[str, tuple[list[str], float | None]]:
    """What is timed, each with its bar in seconds; a recording, a job and a visit for it are made in `folder`."""
    sound = read_audio(VISITS / "hot-surface.flac")
    write_flac(folder / "one.flac", Audio(sound.samples[: 3 * sound.rate_hz], sound.rate_hz))  # one answer
    job = (VISITS / "gas-odour.job.yaml").read_text(encoding="utf-8").replace("invented: true\n", "")
    (folder / "job.yaml").write_text(job, encoding="utf-8")
    record = folder / "demo"
    demo = ["demo", "gas-odour", "--folder", str(record)]
    subprocess.run([sys.executable, "-m", "assistant", *demo], stdout=subprocess.DEVNULL, check=True)
    visit = ["visit", "--job", str(folder / "job.yaml"), "--from-audio", str(VISITS / "gas-odour.flac")]
    return {
        "--help": (["--help"], 0.3),
        "--version": (["--version"], 0.3),
        "models list": (["models", "list"], None),
        "work-out": (["work-out"], None),
        "understand": (["understand", "one twenty ohms", "-q", "igniter-resistance"], 0.7),
        "hear, of a quantity": (["hear", str(folder / "one.flac"), "-q", "ambient-co"], 1.2),
        "hear, of a step": (["hear", str(folder / "one.flac"), "-q", "line"], 1.2),
        "report": (["report", str(record)], None),
        "replay": (["replay", str(record)], None),
        FIRST_PROMPT: ([*visit, "--folder", str(folder / "visits")], 2.0),
    }


def seconds(arguments: list[str], until: str = "") -> tuple[float, float]:
    """One run: by the clock, and of the processor. until: it is over with a line that begins so."""
    before, began = resource.getrusage(resource.RUSAGE_CHILDREN), time.perf_counter()
    with subprocess.Popen([sys.executable, "-u", *arguments], stdout=subprocess.PIPE, text=True) as process:
        assert process.stdout
        any(until and line.startswith(until) for line in process.stdout)
        wall = time.perf_counter() - began
        if until:
            process.kill()
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    return wall, after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime


def main(runs: int) -> None:
    """Prints the figures."""
    print(f"Load {os.getloadavg()[0]:.1f}, {os.cpu_count()} cores.\n")
    print("| | bar, s | wall, s | processor, s | times nothing |")
    print("|---|---|---|---|---|")
    with tempfile.TemporaryDirectory() as folder:
        what = {NOTHING: (["-c", "pass"], None)}
        what |= {name: (["-m", "assistant", *words], bar) for name, (words, bar) in commands(Path(folder)).items()}
        nothing = 0.0
        for name, (arguments, bar) in what.items():
            until = "< " if name == FIRST_PROMPT else ""
            times = [seconds(arguments, until) for _ in range(runs + 1)][1:]
            wall, processor = (median(each) for each in zip(*times, strict=True))
            nothing = nothing or processor
            print(f"| {name} | {bar or ''} | {wall:.2f} | {processor:.2f} | {processor / nothing:.0f} |", flush=True)


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 10)
