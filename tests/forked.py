"""Scripts that read files in a process of their own, in forks of one that has their libraries.

Loading them takes most of the time of such a script; the scripts, their limits and what they hand
back are the same.
"""

import multiprocessing
import os
import runpy
import subprocess
import sys
import tempfile
import traceback
import warnings
from pathlib import Path

import pytest

from hybridopt.files import sealed_netcdf
from hybridopt.measurements import bus_signals, mdf_log

LIBRARIES = ["asammdf", "cantools", "h5netcdf"]
SCRIPTS = {str(module.CHILD) for module in (bus_signals, mdf_log, sealed_netcdf)}


def act(words, environment, out, err):
    """Run a script with its words, as a fork."""
    for number, path in enumerate((out, err), 1):
        os.dup2(os.open(path, os.O_WRONLY | os.O_CREAT), number)
    os.environ.update(environment)
    sys.argv, code = words, 1
    try:
        runpy.run_path(words[0], run_name="__main__")
        code = 0
    except SystemExit as ended:
        code = ended.code or 0
        if isinstance(code, str):
            print(code, file=sys.stderr)
            code = 1
    except BaseException:
        traceback.print_exc()
    sys.stdout.flush()
    sys.stderr.flush()
    os._exit(code)


def run_forked(command, timeout, env):
    """Do what `subprocess.run` would."""
    context = multiprocessing.get_context("forkserver")
    context.set_forkserver_preload(LIBRARIES)
    with tempfile.TemporaryDirectory() as folder:
        out, err = Path(folder) / "out", Path(folder) / "err"
        process = context.Process(target=act, args=(command[2:], env or {}, str(out), str(err)))
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # of what multiprocessing starts again
            process.start()
        process.join(timeout)
        if process.is_alive():
            process.kill()
            process.join()
            raise subprocess.TimeoutExpired(command, timeout)
        said = [path.read_bytes() if path.exists() else b"" for path in (out, err)]
        return subprocess.CompletedProcess(command, process.exitcode, *said)


@pytest.fixture
def forked(monkeypatch):
    """Fork where the package would start one of the scripts, if the system can."""
    if "forkserver" not in multiprocessing.get_all_start_methods():
        return
    plain = subprocess.run

    def run(command, timeout=None, env=None, **how):
        if command[1:2] == ["-P"] and command[2] in SCRIPTS:
            return run_forked(command, timeout, env)
        return plain(command, timeout=timeout, env=env, **how)

    monkeypatch.setattr(subprocess, "run", run)
