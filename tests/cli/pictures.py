"""What the tests of plot, report and explore share."""

from click.testing import CliRunner

from hybridopt.cli.main import main

SMALL = ("ece15", "--soc-points", "101", "--splits", "9", "--quiet")


def run(*args):
    return CliRunner().invoke(main, [str(arg) for arg in args])


def solved(folder, *more):
    """Solve a small problem into a folder and return the result's file."""
    outcome = run("solve", *SMALL, *more, "--out", folder)
    assert outcome.exit_code == 0, outcome.output
    (path,) = folder.glob("*.nc")
    return path


def assert_one_sentence(outcome, *words, code=2):
    errors = [line for line in outcome.stderr.splitlines() if line.startswith("error: ")]
    assert outcome.exit_code == code, outcome.output
    assert len(errors) == 1 and "Traceback" not in outcome.output and outcome.stdout == ""
    for word in words:
        assert word in errors[0], errors[0]
