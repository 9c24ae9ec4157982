"""`python -m tracker.cli` is the command."""

from tracker.cli.main import main

main()
