"""The one error that people see."""


class Problem(Exception):  # noqa: N818 - it is what the person is told, not a fault of the program
    """Something a person can fix: one sentence that names the thing and says what to do.

    Commands print it and exit with status 2; nothing already recorded is lost.
    """


class NotWritten(Problem):
    """Something could not be written now: no room, or a disk that fails. It may be tried again."""
