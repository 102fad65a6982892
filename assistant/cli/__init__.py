"""The command line. Each command is a module here, which is imported when it is called or its own help is asked for.

So `assistant --help` needs nothing of the assistant, and each command only what it uses.
"""

from __future__ import annotations

import signal
import sys
from typing import NoReturn

COMMANDS = {
    "demo": "Run an invented visit from recordings.",
    "visit": "Work a visit by voice, from a microphone or recordings.",
    "hear": "Say what the assistant makes of recordings.",
    "understand": "Say what the assistant makes of words.",
    "replay": "Go through a recorded visit, or judge it again.",
    "record": "Verify, seal and export a record; erase its sound.",
    "work-out": "Work out input rate, airflow, CO air-free and the like.",
    "report": "Write a visit's report, as HTML or PDF.",
    "page": "Serve the supervisor's page.",
    "shop": "Keep the visits of many crews in one store.",
    "models": "List, fetch, verify and choose the speech models.",
    "check-procedure": "Say all that is wrong in procedures or data files.",
    "self-check": "Say what is missing, or measure the room.",
}
"""Each command and its line in the list."""


def main() -> None:
    """Runs the command line; never a traceback: every problem is one sentence and exit status 2."""
    try:
        from assistant.cli.commands import build
        from assistant.errors import Problem

        try:
            build()()
        except Problem as problem:
            from assistant.cli.terminal import complain

            complain("Problem", problem)
            sys.exit(2)
    except KeyboardInterrupt as interrupt:
        stop(interrupt)


def stop(interrupt: KeyboardInterrupt) -> NoReturn:
    """Ends the program on Ctrl-C: one line, with what the interrupt's notes say became of the work, and status 130."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # a second one would only disturb the end
    print("Stopped.", *getattr(interrupt, "__notes__", ()), file=sys.stderr)
    sys.exit(130)
