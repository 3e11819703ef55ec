"""What the tests of commands share."""

from click.testing import CliRunner

from hybridopt.cli.main import main

SMALL = ("ece15", "--soc-points", "101", "--splits", "9")
NOTES = ("solving ", "note: ", "warning: ")


def run(*args):
    return CliRunner().invoke(main, [str(arg) for arg in args])


def solved(folder, *more):
    """Solve a small problem into a folder and return the result's file."""
    outcome = run("solve", *SMALL, "--quiet", *more, "--out", folder)
    assert outcome.exit_code == 0, outcome.output
    (path,) = folder.glob("*.nc")
    return path


def assert_one_sentence(outcome, *words, code=2):
    """Check that a command ended with an exit code and one line of error, besides its notes."""
    errors = [line for line in outcome.stderr.splitlines() if not line.startswith(NOTES)]
    assert outcome.exit_code == code, outcome.output
    assert len(errors) == 1 and errors[0].startswith("error: "), errors
    assert "Traceback" not in outcome.output and outcome.stdout == ""
    for word in words:
        assert word in errors[0], errors[0]
