"""The cache of compiled kernels: an edit is seen across files, in a later process.

A copy of the package gets three tiny files; each process is asked for the same kernel's value.
"""

import os
import pickle
import shutil
import subprocess
import sys
from pathlib import Path
from typing import NamedTuple

import numba
import numpy as np
import pytest
from numba.core.options import DefaultOptions

import hybridopt
from hybridopt.base.compiled import NOT_COUNTED, kernel, kernel_sources
from hybridopt.base.kernel_cache import KEPT, _folder_of

FILES = {
    "caller": "from ..base.compiled import kernel\nfrom .callee import _callee\n\n\n"
    "@kernel\ndef _caller(x):\n    return 10.0 * _callee(x)\n",
    "callee": "from ..base.compiled import kernel\nfrom .numbers import OFFSET\n\n\n"
    "@kernel\ndef _callee(x):\n    return x + OFFSET\n",
    "numbers": "OFFSET = 1.0\n",
}
ASK = (
    "from hybridopt.trial.caller import _caller\n"
    "value = _caller(2.0)\n"
    "print(value, sum(_caller.stats.cache_hits.values()))\n"
)

compiles = pytest.mark.skipif(
    bool(os.environ.get("NUMBA_DISABLE_JIT")), reason="nothing is compiled"
)


@pytest.fixture
def package(tmp_path):
    """Copy the package's base and put a room of tiny kernels beside it."""
    root = tmp_path / "hybridopt"
    shutil.copytree(Path(hybridopt.__file__).parent / "base", root / "base")
    (root / "__init__.py").write_text("")
    (root / "trial").mkdir()
    (root / "trial" / "__init__.py").write_text("")
    for name, text in FILES.items():
        (root / "trial" / f"{name}.py").write_text(text)
    return root


@pytest.fixture(autouse=True)
def empty(tmp_path, monkeypatch):
    """Processes find an empty cache."""
    monkeypatch.setenv("NUMBA_CACHE_DIR", str(tmp_path / "cache"))


def ask(root, begin="", **more):
    """Return what a new process prints, on standard output and error."""
    environment = dict(os.environ)
    environment["PYTHONPATH"] = str(root.parent)
    environment["PYTHONDONTWRITEBYTECODE"] = "1"  # edits may follow within a second
    done = subprocess.run(
        [sys.executable, "-c", begin + ASK],
        env=environment | more,
        cwd=root.parent,
        capture_output=True,
        text=True,
    )
    assert done.returncode == 0, done.stderr
    return done.stdout, done.stderr


def asked(root):
    """Return the value that a new process gets, and how often it found it in the cache."""
    out, errors = ask(root)
    assert errors == ""
    value, hits = out.split()
    return float(value), int(hits)


def edit(root, name, old, new):
    path = root / "trial" / f"{name}.py"
    text = path.read_text()
    assert old in text
    path.write_text(text.replace(old, new))


@pytest.mark.long
@compiles
def test_edits_in_other_files_are_seen(package):
    """By hand: 10 (2 + 1), then 10 (3 * 2 + 1), then 10 (3 * 2 + 4)."""
    assert asked(package) == (30.0, 0)
    assert asked(package) == (30.0, 1), "the second process finds it in the cache"
    edit(package, "callee", "x + OFFSET", "3.0 * x + OFFSET")
    assert asked(package) == (70.0, 0), "the callee has changed, the caller's file has not"
    edit(package, "numbers", "1.0", "4.0")
    assert asked(package) == (100.0, 0), "a constant from a file without kernels has changed"
    edit(package, "numbers", "4.0", "1.0")
    assert asked(package) == (70.0, 1), "what was compiled for other sources is still there"
    moved = package.parent / "elsewhere" / package.name
    shutil.copytree(package, moved)
    assert asked(moved) == (70.0, 1), "another copy of the same sources has the same machine code"


DAMAGED = """
import os, sys
from pathlib import Path

def flip(content):
    return content[:-100] + bytes([content[-100] ^ 1]) + content[-99:]

def asked():
    for name in [name for name in sys.modules if name.startswith("hybridopt.trial")]:
        del sys.modules[name]
    from hybridopt.trial.caller import _caller
    return _caller(2.0), sum(_caller.stats.cache_hits.values())

assert asked() == (30.0, 0)
for damage in (flip, lambda content: content[:-40], lambda content: b""):
    for suffix in (".nbc", ".nbi"):
        files = sorted(Path(os.environ["NUMBA_CACHE_DIR"]).rglob("*" + suffix))
        assert len(files) == 2, files
        for path in files:
            path.write_bytes(damage(path.read_bytes()))
        found = asked(), asked()
        assert found == ((30.0, 0), (30.0, 1)), "compiled again, and kept"
        print("once more")
"""


@pytest.mark.long
@compiles
def test_damaged_files_of_the_cache_are_made_anew(package):
    """By numba alone an empty one is an EOFError, and a flipped bit is taken as code."""
    out, errors = ask(package, DAMAGED)
    assert out.count("once more") == 6 and errors == ""


@pytest.mark.long
@compiles
def test_without_a_folder_that_can_be_written_to_all_runs_with_one_line(package):
    """The folder beside the package is a file, and those of numba and of the home are too."""
    (package / "trial" / "__pycache__").write_text("")
    places = dict.fromkeys(("NUMBA_CACHE_DIR", "HOME", "XDG_CACHE_HOME"), os.devnull)
    temporary = package.parent / "temporary"
    temporary.mkdir()
    out, errors = ask(package, TMPDIR=str(temporary), **places)
    assert out == "30.0 0\n"
    assert errors.count("InputWarning: ") == 1 and "no folder for compiled code can be" in errors
    assert not list(temporary.iterdir()), "what was made there goes with the process"
    nowhere = "import tempfile\ndef none(**_):\n    raise OSError\ntempfile.mkdtemp = none\n"
    out, errors = ask(package, nowhere, **places)
    assert out == "30.0 0\n" and errors.count("InputWarning: ") == 1


@pytest.mark.long
@compiles
@pytest.mark.skipif(sys.platform == "win32", reason="no limit of file sizes")
def test_a_full_disk_stops_no_kernel(package):
    """No file may get longer than 0 bytes, which the system refuses as it does a full disk."""
    full = "import resource\nresource.setrlimit(resource.RLIMIT_FSIZE, (0, 0))\n"
    out, errors = ask(package, full)
    assert out == "30.0 0\n"
    assert errors.count("InputWarning: ") == 1 and "compiled code could not be kept" in errors


def test_sources_are_a_digest_and_stay_while_a_process_lasts():
    assert len(kernel_sources()) == 64 and kernel_sources() is kernel_sources()


def test_kernels_divide_by_zero_like_numpy():
    """A kernel never raises: 1 / 0 is infinite, as in IEEE 754."""

    @kernel
    def quotient(x: float, y: float) -> float:
        return x / y

    assert quotient(1.0, 0.0) == float("inf")


@kernel
def _one():
    return 1


def test_an_index_written_by_other_sources_is_not_read(tmp_path):
    """By numba alone it is unpickled first, which fails where a type has moved."""
    entry = _one._cache._cache_file
    assert kernel_sources() in entry._version
    entry._index_path = str(tmp_path / "index.nbi")
    with open(entry._index_path, "wb") as file:
        pickle.dump((numba.__version__, "other sources"), file)
        file.write(b"cno.such.module\nType\n.")  # a pickle of a class that is not there
    assert entry._load_index() == {}


def test_code_written_for_another_signature_is_not_taken(tmp_path):
    """Two processes that write at once may take the same name for their code."""
    entry = type(_one._cache._cache_file)(str(tmp_path), "one", "")
    entry.save("integers", b"code")
    assert entry.load("integers") == b"code" and entry.load("floats") is None
    entry._save_index({"floats": entry._load_index()["integers"]})
    assert entry.load("floats") is None


def test_versions_used_least_lately_are_removed(tmp_path):
    (tmp_path / "hybridopt-kernels-of-mine").mkdir()
    for i in range(KEPT + 2):
        folder = _folder_of(tmp_path, f"{i:016x}")
        os.utime(folder, (i, i))
    left = [f"hybridopt-kernels-{i:016x}" for i in range(2, KEPT + 2)]
    assert sorted(path.name for path in tmp_path.iterdir()) == [*left, "hybridopt-kernels-of-mine"]


class Pair(NamedTuple):
    """Two arrays, as kernels take them."""

    first: np.ndarray
    second: np.ndarray


@kernel(borrows=True)
def _difference(pair, shift):
    return pair.first[0] - shift * pair.second[0]


@kernel(borrows=True)
def _fill_differences(pair, out):
    for i in range(out.size):
        row = out[i : i + 1]
        row[0] = _difference(pair, float(i))


def test_a_kernel_that_borrows_gives_the_same_and_keeps_nothing():
    """Arrays stay alive as long as before, and no reference to them is left behind."""
    pair, out = Pair(np.full(1000, 5.0), np.full(1000, 2.0)), np.empty(50)
    _fill_differences(pair, out)
    before = [sys.getrefcount(array) for array in (*pair, out)]
    for _ in range(100):
        _fill_differences(pair, out)
    assert [sys.getrefcount(array) for array in (*pair, out)] == before
    np.testing.assert_array_equal(out, 5.0 - 2.0 * np.arange(50))
    if hasattr(DefaultOptions, NOT_COUNTED):
        _fill_differences.recompile()  # what comes from the cache cannot be looked into
        assert "NRT_incref" not in next(iter(_fill_differences.inspect_llvm().values()))
