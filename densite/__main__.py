"""Run the command line with ``python -m densite``."""

from densite.cli import main

main()
