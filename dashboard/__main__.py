"""``python -m dashboard``: the same command as ``noonmark``."""

from dashboard.cli import main

main(prog_name="noonmark")
