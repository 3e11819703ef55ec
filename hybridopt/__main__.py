"""Run the command line: `python -m hybridopt`."""

from .cli.main import main

main(prog_name="hybridopt")
