"""The program that turns one text into one sound file, and ends.

It runs as a process of its own because the speech libraries hang, crash and keep state between texts; a fresh
process also gives the same bytes for the same text every time. It is started by its path and imports nothing
of the assistant, so that it starts fast and from any folder.

    voice_worker.py bundled|system  < {"text", "path", "rate_wpm"}

The engine is made ready first, then one request is read from standard input until its end. Exit status 0: the
sound is at "path". Any other: standard output holds the reason. No request at all: ends quietly.
"""

import ctypes
import json
import os
import signal
import sys
from pathlib import Path
from typing import Any, NoReturn, TextIO

import espeakng_loader


def main() -> None:
    """Serve one request and end the process."""
    # The assistant ends this process by closing its input; Ctrl-C in the terminal is meant for the assistant.
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    # The libraries print as they please. From here on only `answer` reaches the assistant.
    answer = os.fdopen(os.dup(1), "w", encoding="utf-8")
    os.dup2(os.open(os.devnull, os.O_WRONLY), 1)
    # What fails inside the library's callback (a full disk) comes here and nowhere else.
    sys.unraisablehook = lambda unraisable: _end(answer, unraisable.exc_value)
    try:
        engine = _start(sys.argv[1])
        line = sys.stdin.read()
        if line:
            _render(engine, **json.loads(line))
    except Exception as error:
        _end(answer, error)
    _end(answer, None)


def _end(answer: TextIO, fault: BaseException | None) -> NoReturn:
    if fault is not None:
        answer.write(str(fault) or type(fault).__name__)
        answer.flush()
    # The speech library has a thread of its own and can fail an assertion in an ordinary exit.
    os._exit(0 if fault is None else 1)


def _start(name: str) -> Any:
    if name == "system":
        import pyttsx3  # noqa: PLC0415

        try:
            return pyttsx3.init()
        except Exception as error:
            raise RuntimeError(f"the system has no voice ({error}); choose the bundled one") from error
    # The library takes paths up to 160 bytes and ends the process beyond: a relative one is always short.
    data = Path(espeakng_loader.get_data_path())
    os.chdir(data.parent)
    os.environ["ESPEAK_DATA_PATH"] = data.name
    library = ctypes.CDLL(espeakng_loader.get_library_path())
    # The driver looks in the places where systems install the library. Linux would give it ours, already
    # loaded under that name; elsewhere it has no place for ours, so in this process every place holds it.
    ctypes.cdll.LoadLibrary = lambda name: library  # type: ignore[method-assign] # noqa: ARG005
    import pyttsx3  # noqa: PLC0415

    return pyttsx3.init("espeak")


def _render(engine: Any, *, text: str, path: str, rate_wpm: int) -> None:
    faults: list[Exception] = []
    engine.connect("error", lambda name, exception: faults.append(exception))  # noqa: ARG005 - by keyword
    engine.setProperty("rate", rate_wpm)
    engine.save_to_file(text, path)
    if engine.driver_name == "espeak":
        # Not runAndWait: with this driver it comes back before the file is written, and before it speaks it
        # cancels what the library is busy with, which may be the rate just set. The loop alone
        # ends when the file is written.
        engine.startLoop()
    else:
        engine.runAndWait()
    if faults:
        raise faults[0]


if __name__ == "__main__":
    main()
