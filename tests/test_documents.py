"""README, DEVELOPERS and the repository say what is true of the package."""

import re
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

import hybridopt
from hybridopt import Settings, read_cycle, read_driveline, solve_cycle
from hybridopt.base.nomenclature import BOUND_TOTALS, STEP_VARIABLES, TOTALS
from hybridopt.cli.main import main
from hybridopt.inputs.driveline_file import SECTIONS
from hybridopt.text.summary import summary

ROOT = Path(__file__).parents[1]
README = (ROOT / "README.md").read_text(encoding="utf-8")
DEVELOPERS = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
TOP_LEVEL = {"pyproject.toml", "README.md", "DEVELOPERS.md", "hybridopt", "tests", "cycles"}
TOP_LEVEL |= {"notebooks"}
# split, so that this file does not hold what it looks for
MACHINE_PATHS = ("/wo" + "rk/", "/tm" + "p/", "/ro" + "ot/", "/ho" + "me/", "/opt" + "/")


def blocks(language, text=README):
    return re.findall(rf"^```{language}\n(.*?)^```$", text, flags=re.DOTALL | re.MULTILINE)


def git_files():
    """Return tracked files and new ones that git does not ignore, or skip the test."""
    if shutil.which("git") is None or not (ROOT / ".git").exists():
        pytest.skip("not a git checkout")
    listed = subprocess.run(
        ["git", "ls-files", "-z", "--cached", "--others", "--exclude-standard"],
        cwd=ROOT,
        capture_output=True,
        text=True,
    )
    if listed.returncode:
        pytest.skip(f"git cannot list the files: {listed.stderr.strip()}")
    paths = [Path(name) for name in listed.stdout.split("\0") if name]
    return [path for path in paths if (ROOT / path).is_file()]


def test_example_of_readme_runs(tmp_path):
    """As a program of its own, in a folder of its own."""
    (example,) = blocks("python")
    assert len(example.splitlines()) == 10
    (tmp_path / "example.py").write_text(example)
    code = (
        f"import sys; sys.path.insert(0, {str(ROOT)!r}); import runpy; runpy.run_path('example.py')"
    )
    done = subprocess.run(
        [sys.executable, "-W", "error", "-c", code], cwd=tmp_path, capture_output=True, text=True
    )
    assert done.returncode == 0, done.stderr
    assert re.match(r"\d+\.\d g of fuel, \d+ starts, \d+ shifts\n", done.stdout)
    assert hybridopt.Result.read(tmp_path / "ece15_full.nc").dataset.attrs["cycle"] == "ece15"


def test_toml_and_csv_of_readme_are_good_input(tmp_path):
    (toml,), (csv,) = blocks("toml"), blocks("csv")
    (tmp_path / "heavy.toml").write_text(toml)
    (tmp_path / "drive.csv").write_text(csv)
    assert read_driveline(tmp_path / "heavy.toml").vehicle.mass == 1950
    assert read_cycle(tmp_path / "drive.csv").duration == 12


def test_ci_runs_the_two_commands_of_readme():
    """`.ci/run` picks them out of the README; each is one line, alone in its block."""
    commands = [line for block in blocks("sh") for line in block.splitlines()]
    script = (ROOT / ".ci" / "run").read_text(encoding="utf-8")
    picks = re.findall(r"^(\w+)=\$\(grep -m1 -F '(.*)' README.md\)$", script, flags=re.MULTILINE)
    picked = {
        name: next(line for line in README.splitlines() if text in line) for name, text in picks
    }
    assert list(picked.values()) == commands and len(commands) == 2
    for name in picked:
        assert f'eval "${name}"' in script


def test_screen_of_readme_has_the_rows_of_a_summary():
    """Regression only: paste a new screen when the summary changes."""
    (screen,) = blocks("text")
    result = solve_cycle(
        read_cycle("ece15"), read_driveline("full"), Settings(soc_points=51, splits=9)
    )

    def labels(text):
        varying = ("wrote", "Solved", "Gap mostly from")
        rows = [line for line in text.splitlines() if not line.startswith(varying)]
        return [re.split(r" {2,}| in ", row)[0] for row in rows]

    assert labels(screen) == labels(summary(result))


@pytest.mark.parametrize("command", sorted(main.commands))
def test_command_is_in_readme(command):
    assert f"`hybridopt {command}" in README


@pytest.mark.parametrize("table", SECTIONS)
def test_table_of_a_driveline_is_in_readme(table):
    assert f"`[{table}]`" in README


def test_files_named_in_developers_exist():
    """Paths in backquotes with a suffix, from the repository, the package or its folders."""
    named = set(re.findall(r"`([\w/.]+\.(?:py|toml|csv|md))`", DEVELOPERS))
    places = (ROOT, ROOT / "hybridopt", ROOT / "tests", ROOT / "cycles")
    places += tuple(path.parent for path in (ROOT / "hybridopt").rglob("__init__.py"))
    places += tuple(path.parent for path in (ROOT / "tests").rglob("test_*.py"))
    missing = {name for name in named if not any((place / name).is_file() for place in places)}
    assert missing == set()


def test_module_is_in_developers():
    package = ROOT / "hybridopt"
    names = {p.name for p in package.rglob("*.py") if not p.name.startswith("__")}
    described = {"cli", "output"}  # as folders
    folders = {p.name for d in described for p in (package / d).rglob("*.py")}
    missing = {name for name in names - folders if name not in DEVELOPERS}
    assert missing == set()


def test_names_of_results_in_readme_are_known():
    """A renamed variable or total does not live on in the documents."""
    known = {*STEP_VARIABLES, *TOTALS, *BOUND_TOTALS}
    (example,) = blocks("python")
    used = set(re.findall(r"\bresult\.(\w+_\w+|starts|shifts)\b", example)) - {"to_netcdf"}
    used |= set(re.findall(r"\"(\w+)\"", example.partition("trace[[")[2].partition("]]")[0]))
    used |= set(re.findall(r"`(\w+_g|gap_\w+)`", README))
    assert len(used) > 8 and used <= known


def test_top_level_holds_what_it_should():
    top = {path.parts[0] for path in git_files()}
    assert {name for name in top if not name.startswith(".")} == TOP_LEVEL


def test_no_file_holds_a_machine_path():
    for path in git_files():
        if path.suffix == ".png":
            continue
        text = (ROOT / path).read_text(encoding="utf-8")
        found = [piece for piece in MACHINE_PATHS if piece in text]
        assert not found, f"{path}: {found}"
