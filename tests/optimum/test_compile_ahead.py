"""The other processes of a first solve: they compile what it needs, and are not left behind."""

import subprocess
import sys
import time

import psutil
import pytest
from click.testing import CliRunner

from hybridopt.cli.main import main
from hybridopt.optimum import compile_ahead

SAME_KERNELS = """
import sys
from hybridopt import read_cycle, read_driveline, solve_cycle
from hybridopt.optimum.compile_ahead import OTHERS, first_stages

def compiled():
    kernels = {
        f"{module.__name__}.{name}": kernel.nopython_signatures
        for module in list(sys.modules.values()) if module.__name__.startswith("hybridopt")
        for name, kernel in vars(module).items() if hasattr(kernel, "nopython_signatures")
    }
    return {name: set(map(str, signatures)) for name, signatures in kernels.items() if signatures}

first_stages()
for stages in OTHERS.values():
    stages()
before = compiled()
solve_cycle(read_cycle("ece15"), read_driveline("mild"))
after = compiled()
wanted = ("physics.point_kernels._fill_points", "dp.sweep._sweep", "dp.kernels._forward",
          "physics.step._evaluate", "dp.bound_kernels._hulls", "dp.bound_kernels._stages",
          "dp.bound_kernels._trellis")
for name in wanted:  # those that they call have more signatures where nothing was compiled yet
    own = "hybridopt." + name
    assert len(before[own]) == 1 and after[own] == before[own], (own, before[own], after[own])
"""


def helpers():
    """Commands of the running processes, started by this one, that compile ahead."""
    commands = [command(child) for child in psutil.Process().children(recursive=True)]
    return [words for words in commands if compile_ahead.__name__ in words]


def command(process):
    """Words of a process's command; none once it has ended.

    A process that was started a moment ago may not have its command yet.
    """
    for _ in range(1000):
        try:
            words = process.cmdline()
        except (psutil.NoSuchProcess, psutil.ZombieProcess):
            return []
        if words:
            return words
        time.sleep(0.01)
    raise AssertionError(f"{process} has had no command for 10 s")


@pytest.mark.long
def test_kernels_are_compiled_for_the_types_that_a_solve_has():
    done = subprocess.run([sys.executable, "-c", SAME_KERNELS], capture_output=True, text=True)
    assert done.returncode == 0, done.stderr


def patient(monkeypatch, act=lambda: None):
    """Have an empty cache, and first stages that only act."""
    monkeypatch.setattr(compile_ahead, "_nothing_compiled", lambda: True)
    monkeypatch.setattr(compile_ahead, "first_stages", act)


@pytest.mark.parametrize("error", [None, KeyboardInterrupt])
def test_processes_end_with_the_compiling(monkeypatch, error):
    """Here after the first look at them, as if they had failed, or by an interrupt."""
    seen = []

    def act():
        seen.append(len(helpers()))
        if error:
            raise error
        for child in psutil.Process().children(recursive=True):
            child.kill()

    patient(monkeypatch, act)
    try:
        compile_ahead.compile_ahead()
    except KeyboardInterrupt:
        assert error
    assert seen == [len(compile_ahead.OTHERS)] and not helpers()


def test_a_solve_waits_for_them(monkeypatch):
    class Process:
        looks, done = 0, ()

        def poll(self):
            self.looks += 1
            return None if self.looks < 3 else 0

        def kill(self):
            self.done += ("killed",)

        def wait(self):
            self.done += ("waited for",)

    process, names = Process(), []
    patient(monkeypatch)
    monkeypatch.setattr(compile_ahead, "_started", lambda name: names.append(name) or process)
    command = ["solve", "ece15", "--soc-points", "51", "--splits", "5", "--no-bound", "--quiet"]
    assert CliRunner().invoke(main, command).exit_code == 0
    assert names == ["sweep", "later"] and process.looks >= 3
    assert process.done == ("killed", "waited for") * 2


def test_a_system_that_allows_no_process_is_no_error(monkeypatch):
    patient(monkeypatch)
    monkeypatch.setattr(sys, "executable", "/no/such/program")
    compile_ahead.compile_ahead()
    assert not helpers()


def test_only_an_empty_or_old_cache_is_filled(monkeypatch):
    """An index of another version of the package counts as empty."""
    monkeypatch.setattr(compile_ahead.numba, "get_num_threads", lambda: 2)
    for known in (True, False):
        monkeypatch.setattr(compile_ahead, "is_compiled", lambda _, known=known: known)
        assert compile_ahead._nothing_compiled() is not known
    monkeypatch.setattr(compile_ahead.numba, "get_num_threads", lambda: 1)
    assert not compile_ahead._nothing_compiled()
