"""README, guides, DEVELOPERS and the repository say what is true of the package."""

import dataclasses
import re
import shutil
import subprocess
import sys
from pathlib import Path

import pytest
from click import Group

import hybridopt
from hybridopt import Settings, read_cycle, read_driveline, solve_cycle
from hybridopt.base.nomenclature import (
    BOUND_TOTALS,
    CHARGE_TOTALS,
    EMISSION_TOTALS,
    EQUAL_TOTALS,
    STEP_VARIABLES,
    TOTALS,
)
from hybridopt.cli.main import main
from hybridopt.inputs import driveline as parts
from hybridopt.inputs.driveline_file import SECTIONS
from hybridopt.inputs.models import PolynomialMotor, WillansEngine
from hybridopt.text.summary import summary

ROOT = Path(__file__).parents[1]
PACKAGE = ROOT / "hybridopt"
README = (ROOT / "README.md").read_text(encoding="utf-8")
DEVELOPERS = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
GUIDES = {p.stem: p.read_text(encoding="utf-8") for p in sorted((PACKAGE / "guide").glob("*.md"))}
WRITTEN = {"README": README, "DEVELOPERS": DEVELOPERS, **GUIDES}
TOP_LEVEL = {"pyproject.toml", "README.md", "DEVELOPERS.md", "hybridopt", "tests", "cycles"}
TOP_LEVEL |= {"notebooks"}
# split, so that this file does not hold what it looks for
MACHINE_PATHS = ("/wo" + "rk/", "/tm" + "p/", "/ro" + "ot/", "/ho" + "me/", "/opt" + "/")


def blocks(language, text=README):
    return re.findall(rf"^ *```{language}\n(.*?)^ *```$", text, flags=re.DOTALL | re.MULTILINE)


def rows_below(text, *head):
    """Return the cells of all rows of all Markdown tables with a given head."""
    found, inside = [], False
    for line in text.splitlines():
        cells = [cell.strip() for cell in line.strip("|").split("|")]
        inside = line.startswith("|") and (inside or cells == list(head))
        if inside and cells != list(head) and not set(line) <= set("|-: "):
            found.append(cells)
    return found


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


def test_readme_is_short():
    assert len(README.split()) <= 1200 and len(DEVELOPERS.split()) <= 2200


def test_toml_and_csv_of_guides_are_good_input(tmp_path):
    toml, (csv,) = blocks("toml", GUIDES["vehicle"])[0], blocks("csv", GUIDES["cycles"])
    (tmp_path / "heavy.toml").write_text("\n".join(line.strip() for line in toml.splitlines()))
    (tmp_path / "drive.csv").write_text(csv)
    assert read_driveline(tmp_path / "heavy.toml").vehicle.mass == 1950
    assert read_cycle(tmp_path / "drive.csv").duration == 8


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
        assert re.search(rf'in_new \w+ "\${name}"', script)
    assert 'eval "$2"' in script


def test_screen_of_guide_has_the_rows_of_a_summary():
    """Regression only: paste a new screen when the summary changes."""
    (screen,) = blocks("text", GUIDES["results"])
    (start,) = blocks("text")
    result = solve_cycle(
        read_cycle("ece15"), read_driveline("full"), Settings(soc_points=51, splits=9)
    )

    def labels(text):
        varying = ("wrote", "Solved", "Gap mostly from")
        rows = [line for line in text.splitlines() if not line.startswith(varying)]
        return [re.split(r" {2,}| in ", row)[0] for row in rows]

    assert labels(screen) == labels(summary(result))
    assert set(start.splitlines()) <= set(screen.splitlines())


def commands_of(group, prefix="hybridopt"):
    for name, command in group.commands.items():
        if isinstance(command, Group):
            yield from commands_of(command, f"{prefix} {name}")
        else:
            yield f"{prefix} {name}"


def test_readme_says_what_each_command_is_for():
    """Every command but those beside `study run` has its row, and no row names another one."""
    rows = rows_below(README, "I want to ...", "command", "guide")
    named = {
        re.match(r"hybridopt [a-z ]+[a-z]", text).group()
        for _, cell, _ in rows
        for text in re.findall(r"`(hybridopt [^`]+)`", cell)
    }
    there = set(commands_of(main))
    assert named <= there
    assert {name for name in there - named if not name.startswith("hybridopt study ")} == set()


def test_readme_names_each_guide():
    rows = rows_below(README, "I want to ...", "command", "guide")
    assert {name for *_, cell in rows for name in re.findall(r"`(\w+)`", cell)} == set(GUIDES)


@pytest.mark.parametrize("text", WRITTEN.values(), ids=WRITTEN)
def test_commands_and_guides_named_in_documents_exist(text):
    words = " ".join(re.findall(r"`[^`]*`", text)).replace("from hybridopt import", "")
    named = re.findall(r"hybridopt ((?:[a-z]+ )?[a-z]+)\b", words)
    assert {words.split()[0] for words in named} <= set(main.commands)
    assert {w.split()[1] for w in named if w.startswith("guide ")} <= set(GUIDES)


def declared(*classes):
    """Return range and default of every key that classes declare, in the words of the guide."""
    found = {}
    for cls in classes:
        for field in dataclasses.fields(cls):
            meta = field.metadata
            if "key" not in meta:
                continue
            if "factor" in meta:
                allowed = f"{meta['low']:g} to {meta['high']:g}".replace("100000", "100000")
            elif "words" in meta:
                allowed = " or ".join(f"`{word}`" for word in meta["words"])
            else:
                allowed = "true or false"
            default = field.default
            if default is dataclasses.MISSING:
                shown = "required"
            elif isinstance(default, bool):
                shown = str(default).lower()
            elif default in (None, "", ()):
                shown = None
            else:
                shown = f"{default / meta['factor']:g}"
            found[meta["key"]] = allowed, shown
    return found


@pytest.mark.parametrize(
    "table, classes",
    [
        ("vehicle", (parts.Vehicle,)),
        ("gearbox", (parts.Gearbox,)),
        ("engine", (parts.Engine, WillansEngine)),
        ("motor", (parts.Motor, PolynomialMotor)),
        ("battery", (parts.Battery,)),
        ("clutches", (parts.Clutches,)),
        ("start", (parts.Start,)),
        ("fuel", (parts.Fuel, parts.Auxiliary)),
        ("functions", (parts.Functions,)),
        ("shifts", (parts.Shifts,)),
        ("catalyst", (parts.Catalyst,)),
    ],
)
def test_guide_has_every_key_of_a_driveline(table, classes):
    """With the range and the default that the code declares; files are named beside them."""
    (section,) = re.findall(rf"^### `\[{table}\]`.*?(?=^##)", GUIDES["vehicle"], re.M | re.S)
    rows = rows_below(section, "key", "range", "if left out", "meaning")
    shown = {key.strip("`"): (allowed, default) for key, allowed, default, _ in rows}
    files = {key for key, (allowed, _) in shown.items() if allowed == "file"}
    known = declared(*classes)
    assert set(shown) - files == set(known)
    for key, (allowed, default) in known.items():
        words = shown[key][0].replace("`front`, `rear` or `all`", "`front` or `rear` or `all`")
        assert words == allowed.replace("e+05", "00000"), key
        assert default is None or shown[key][1] == default, key


def test_guide_has_every_table_of_a_driveline():
    assert {name for name in SECTIONS if f"`[{name}]`" not in GUIDES["vehicle"]} == set()


def test_rooms_of_developers_are_the_folders():
    """In the order in which they may import."""
    rows = rows_below(DEVELOPERS, "room", "holds")
    named = [name for cell, _ in rows for name in re.findall(r"`(\w+)`", cell)]
    assert sorted(named) == sorted(p.parent.name for p in PACKAGE.glob("*/__init__.py"))


def test_files_named_in_documents_exist():
    """Paths in backquotes with a suffix, from the repository or the package."""
    text = DEVELOPERS + GUIDES["theory"]
    named = set(re.findall(r"`([\w/.]+\.(?:py|toml|csv|md|c))`", text))
    places = (ROOT, PACKAGE, ROOT / "cycles", PACKAGE / "plots")
    missing = {name for name in named if not any((place / name).is_file() for place in places)}
    assert len(named) > 20 and missing == set()


def test_names_of_results_in_readme_are_known():
    """A renamed variable or total does not live on in the documents."""
    known = {
        *STEP_VARIABLES,
        *TOTALS,
        *BOUND_TOTALS,
        *EQUAL_TOTALS,
        *CHARGE_TOTALS,
        *EMISSION_TOTALS,
    }
    (example,) = blocks("python")
    used = set(re.findall(r"\bresult\.(\w+_\w+|starts|shifts)\b", example)) - {"to_netcdf"}
    used |= set(re.findall(r"\"(\w+)\"", example.partition("trace[[")[2].partition("]]")[0]))
    used |= set(re.findall(r"`(\w+_g|gap_\w+)`", GUIDES["results"]))
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
