"""Run the command line: `hybridopt` or `python -m hybridopt`."""

import sys


def run() -> None:
    """Run a command; an interrupt while its modules are loaded ends it as a later one does."""
    try:
        from .cli.main import main
    except KeyboardInterrupt:
        sys.stderr.write("error: interrupted\n")
        sys.exit(130)
    main(prog_name="hybridopt")


if __name__ == "__main__":
    run()
