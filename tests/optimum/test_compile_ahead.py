"""The second process of a first solve: it compiles what the solve needs, and is not left behind."""

import subprocess
import sys
import time

import psutil
import pytest
from click.testing import CliRunner

from hybridopt.cli.main import main
from hybridopt.dp import kernels
from hybridopt.optimum import compile_ahead

SAME_KERNELS = """
import sys
from hybridopt import read_cycle, read_driveline, solve_cycle
from hybridopt.optimum.compile_ahead import later_stages

def compiled():
    kernels = {
        f"{module.__name__}.{name}": kernel.nopython_signatures
        for module in list(sys.modules.values()) if module.__name__.startswith("hybridopt")
        for name, kernel in vars(module).items() if hasattr(kernel, "nopython_signatures")
    }
    return {name: set(map(str, signatures)) for name, signatures in kernels.items() if signatures}

later_stages()
before = compiled()
solve_cycle(read_cycle("ece15"), read_driveline("mild"))
after = compiled()
wanted = ("dp.kernels._forward", "physics.step._evaluate", "dp.bound_kernels._hulls",
          "dp.bound_kernels._stages", "dp.bound_kernels._trellis")
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


def test_kernels_are_compiled_for_the_types_that_a_solve_has():
    done = subprocess.run([sys.executable, "-c", SAME_KERNELS], capture_output=True, text=True)
    assert done.returncode == 0, done.stderr


@pytest.mark.parametrize("error", [None, KeyboardInterrupt])
def test_the_process_ends_with_the_block(monkeypatch, error):
    monkeypatch.setattr(compile_ahead, "_nothing_compiled", lambda: True)
    try:
        with compile_ahead.compiling_ahead():
            assert len(helpers()) == 1
            if error:
                raise error
    except KeyboardInterrupt:
        assert error
    assert not helpers()


def test_a_solve_begins_and_ends_it(monkeypatch):
    class Process:
        done = ()

        def kill(self):
            self.done += ("killed",)

        def wait(self):
            self.done += ("waited for",)

    process = Process()
    monkeypatch.setattr(compile_ahead, "_nothing_compiled", lambda: True)
    monkeypatch.setattr(compile_ahead, "_started", lambda: process)
    command = ["solve", "ece15", "--soc-points", "51", "--splits", "5", "--no-bound", "--quiet"]
    assert CliRunner().invoke(main, command).exit_code == 0
    assert process.done == ("killed", "waited for")


def test_a_system_that_allows_no_process_is_no_error(monkeypatch):
    monkeypatch.setattr(compile_ahead, "_nothing_compiled", lambda: True)
    monkeypatch.setattr(sys, "executable", "/no/such/program")
    with compile_ahead.compiling_ahead():
        assert not helpers()


def test_only_an_empty_cache_is_filled(monkeypatch, tmp_path):
    class Kernel:
        class stats:  # noqa: N801, as numba names it
            cache_path = str(tmp_path / "none")

    monkeypatch.setattr(kernels, "_forward", Kernel)
    monkeypatch.setattr(compile_ahead.numba, "get_num_threads", lambda: 2)
    assert compile_ahead._nothing_compiled()
    Kernel.stats.cache_path = str(tmp_path)
    assert compile_ahead._nothing_compiled()
    (tmp_path / "kernels.nbi").touch()
    assert not compile_ahead._nothing_compiled()
    (tmp_path / "kernels.nbi").unlink()
    monkeypatch.setattr(compile_ahead.numba, "get_num_threads", lambda: 1)
    assert not compile_ahead._nothing_compiled()
