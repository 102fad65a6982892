"""The command line. Each command is a module here, which is imported when it is called or its own help is asked for.

So `assistant --help` needs nothing of the assistant, and each command only what it uses.
"""

from __future__ import annotations

import signal
import sys
from typing import NoReturn

COMMANDS = {
    "A visit": {
        "demo": "Run an invented visit from recordings.",
        "self-check": "Say what is missing, or measure the room.",
        "job": "Write a job file, or check one.",
        "visit": "Work a visit by voice, from a microphone or recordings.",
        "visits": "List the visits, or choose where they are kept.",
        "report": "Write a visit's report, as HTML or PDF.",
        "work-out": "Work out input rate, airflow, CO air-free and the like.",
    },
    "For the supervisor": {
        "page": "Serve the supervisor's page.",
        "replay": "Go through a recorded visit, or judge it again.",
        "record": "Verify, seal and export a record; erase its sound.",
        "shop": "Keep the visits of many crews in one store.",
    },
    "Hearing, and a shop's own data": {
        "understand": "Say what the assistant makes of words.",
        "hear": "Say what the assistant makes of recordings.",
        "models": "List, fetch, verify and choose the speech models.",
        "check-procedure": "Say all that is wrong in procedures or data files.",
    },
}
"""The commands as the list shows them, in groups: each with its line."""


def main() -> None:
    """Runs the command line; never a traceback: every problem is one sentence and exit status 2."""
    try:
        from assistant.cli.commands import build
        from assistant.errors import Problem

        try:
            build()()
        except (Problem, OSError) as problem:  # the second where a file or a folder may not be used
            from assistant.cli.terminal import complain

            complain("Problem", problem)
            sys.exit(2)
    except KeyboardInterrupt as interrupt:
        stop(interrupt)


def stop(interrupt: KeyboardInterrupt) -> NoReturn:
    """Ends the program on Ctrl-C: one line, with what the interrupt's notes say became of the work, and status 130."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # a second one would only disturb the end
    sys.unraisablehook = lambda _: None  # so would what was half made: a recognizer of Vosk complains as it goes
    print("Stopped.", *getattr(interrupt, "__notes__", ()), file=sys.stderr)
    sys.exit(130)
