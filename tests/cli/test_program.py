"""The program as a whole: how failures end, help, start-up, and what the system may do to it."""

import json
import os
import re
import signal
import subprocess
import sys

import pytest
from commands import SMALL, assert_one_sentence, run

from hybridopt.cli import solve as solve_module
from hybridopt.cli.main import main


def real(*args, **extra):
    command = [sys.executable, "-m", "hybridopt", *map(str, args)]
    return subprocess.run(command, capture_output=True, text=True, timeout=120, **extra)


def test_unknown_names_are_one_sentence():
    assert_one_sentence(run("solve", "wltc"), "'wltc'", "wltc_class3b")
    assert_one_sentence(run("sovle"), "sovle")
    assert_one_sentence(run("check"), "FILE", "hybridopt check --help")


@pytest.mark.parametrize(
    ("failure", "code", "words"),
    [
        (KeyboardInterrupt(), 130, "interrupted"),
        (ValueError("odd\nthing"), 1, "unexpected ValueError: odd thing"),
        (MemoryError(), 1, "fewer SoC points"),
        (OSError(28, "No space left on device"), 1, "No space left on device"),
    ],
)
def test_any_failure_ends_in_a_line(monkeypatch, failure, code, words):
    def fail(*_):
        raise failure

    monkeypatch.setattr(solve_module, "_solve", fail)
    outcome = run("solve", *SMALL)
    lines = [line for line in outcome.stderr.splitlines() if line]
    assert outcome.exit_code == code
    assert len(lines) == 1 and lines[0].startswith("error: ") and words in lines[0]


def test_the_traceback_is_there_for_those_who_ask(monkeypatch):
    monkeypatch.setenv("HYBRIDOPT_DEBUG", "1")
    outcome = run("solve", "no_such_cycle")
    assert outcome.exit_code == 2
    assert "Traceback" in outcome.stderr and "error: cycle 'no_such_cycle'" in outcome.stderr


# help and start-up, in processes of their own


def test_help_lists_every_command_with_an_example_each():
    text = run("--help").stdout
    for name, command in main.commands.items():
        assert re.search(rf"^  {name} ", text, re.MULTILINE)
        described = run(name, "--help").stdout
        assert re.search(rf"Examples?:\n  +hybridopt {name}", described)
        assert (
            command.get_short_help_str(60).endswith(".")
            and "...\n" not in text.partition("Commands:")[2]
        )
    assert "Example:" in text
    assert run().stdout == text


def test_version_is_that_of_the_package():
    assert re.fullmatch(r"hybridopt \d+\.\d+\.\d+\S*\n", run("--version").stdout)


def test_help_imports_nothing_slow():
    code = (
        "import sys\nfrom hybridopt.cli.main import main\n"
        "try: main(['--help'])\nexcept SystemExit: pass\n"
        "print([m for m in ('numba', 'xarray', 'matplotlib', 'numpy') if m in sys.modules])"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.splitlines()[-1] == "[]"


@pytest.mark.long
def test_module_runs_from_any_folder(tmp_path):
    done = real("solve", *SMALL, "--json", cwd=tmp_path)
    assert (done.returncode, done.stderr) == (0, "")
    assert json.loads(done.stdout)["cycle"] == "ece15"


@pytest.mark.long
def test_module_ends_with_2_on_bad_input(tmp_path):
    done = real("solve", "nowhere.csv", cwd=tmp_path)
    assert (done.returncode, done.stdout) == (2, "")
    assert done.stderr.startswith("error: ") and done.stderr.count("\n") == 1


@pytest.mark.long
def test_a_reader_that_leaves_early_is_no_error(tmp_path):
    command = f"{sys.executable} -m hybridopt cycles | true"
    done = subprocess.run(["sh", "-c", command], capture_output=True, text=True, cwd=tmp_path)
    assert done.stderr == ""


@pytest.mark.skipif(not os.path.exists("/dev/full"), reason="needs a device that is always full")
def test_a_full_disk_is_one_sentence():
    with open("/dev/full", "w") as full:
        command = [sys.executable, "-m", "hybridopt", "cycles"]
        done = subprocess.run(command, stdout=full, stderr=subprocess.PIPE, text=True)
    assert done.returncode == 1
    assert done.stderr == "error: reading or writing failed (No space left on device)\n"


@pytest.mark.long
def test_interrupting_a_solve_ends_with_130(tmp_path):
    command = [sys.executable, "-m", "hybridopt", "solve", "--out", str(tmp_path / "results")]
    with subprocess.Popen(
        command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
    ) as job:
        assert job.stderr is not None
        job.stderr.readline()  # the note: the solve begins
        job.send_signal(signal.SIGINT)
        rest = job.stderr.read()
    assert job.returncode == 130
    assert rest.split() == ["error:", "interrupted"]
    assert not (tmp_path / "results").exists()


# --- a limit of memory ---

LIMITED = """
import resource, runpy, sys
resource.setrlimit(resource.RLIMIT_AS, (int(sys.argv.pop(1)) << 20,) * 2)
runpy.run_module("hybridopt", run_name="__main__", alter_sys=True)
"""
on_linux = pytest.mark.skipif(not sys.platform.startswith("linux"), reason="needs such a limit")


def limited(room, *args):
    """Run a command in a process that may address so many MiB."""
    command = [sys.executable, "-c", LIMITED, str(room), *map(str, args)]
    return subprocess.run(command, capture_output=True, text=True, timeout=120)


@pytest.mark.long
@on_linux
@pytest.mark.parametrize("room", [100, 300, 500])
@pytest.mark.parametrize("args", [("solve", *SMALL), ("cycle", "import", "log.mf4")])
def test_too_little_memory_is_said_before_libraries_hang_or_abort(room, args):
    """As `ulimit -v` does it; at 350 MB linear algebra waited for ever, at 500 LLVM aborted."""
    done = limited(room, *args)
    assert (done.returncode, done.stdout) == (1, "")
    assert done.stderr.startswith("error: a process may use ") and done.stderr.count("\n") == 1
    assert "raise the limit (ulimit -v) to 1000 MB" in done.stderr


@pytest.mark.long
@on_linux
def test_with_enough_memory_a_limit_is_no_hindrance():
    assert limited(2000, "solve", *SMALL).returncode == 0
    assert limited(100, "solve", "--help").returncode == 0


@on_linux
def test_a_library_that_finds_no_room_is_no_fault_of_the_program(monkeypatch):
    def fail(*_):
        raise ImportError("libhdf5.so: failed to map segment from shared object")

    monkeypatch.setattr(solve_module, "_solve", fail)
    monkeypatch.setenv("OPENBLAS_NUM_THREADS", "1")  # which it sets
    monkeypatch.setattr("hybridopt.cli.main.memory_room", lambda: 2e9)
    assert_one_sentence(run("solve", *SMALL), "may use 2000 MB of memory here", code=1)
