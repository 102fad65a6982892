"""`python -m assistant` is the command `assistant`."""

from assistant.cli import main

main()
