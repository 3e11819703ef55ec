"""Any system: what runs here of the ways for Windows and macOS, and modules that some lack."""

import importlib
import os
import subprocess
import sys
import textwrap
import types

import pytest

import hybridopt
from hybridopt.base import platform
from hybridopt.base.errors import InputError
from hybridopt.base.platform import usable_cores, windows_refuses
from hybridopt.files import locking, writing
from hybridopt.files.writing import check_target, file_stem, write_atomically

LACKING = """
    import importlib, os, pkgutil, sys, types
    import hybridopt

    names = [m.name for m in pkgutil.walk_packages(hybridopt.__path__, "hybridopt.")]
    names = [name for name in names if not name.endswith("__main__")]
    for name in names:
        importlib.import_module(name)  # and with it all libraries
    for name in [name for name in sys.modules if name.partition(".")[0] == "hybridopt"]:
        del sys.modules[name]
    for name in ("fcntl", "resource", "termios", "pwd", "grp"):
        sys.modules[name] = None  # importing it fails
    for name in ("uname", "sched_getaffinity", "fork", "getuid", "geteuid", "mkfifo", "link"):
        if hasattr(os, name):
            delattr(os, name)
    sys.platform, sys.modules["msvcrt"] = "win32", types.ModuleType("msvcrt")
    for name in names:
        importlib.import_module(name)
    print(len(names))
"""


def run(code):
    command = [sys.executable, "-c", textwrap.dedent(code)]
    return subprocess.run(command, capture_output=True, text=True)


@pytest.mark.long
def test_all_modules_import_where_posix_modules_are_missing():
    """What Windows lacks is taken away once the libraries are loaded; msvcrt is a stand-in."""
    done = run(LACKING)
    assert done.returncode == 0, done.stderr
    assert int(done.stdout) > 200


# --- the lock ---


def test_a_folder_is_locked_for_one_process(tmp_path):
    code = f"""
        from pathlib import Path
        from hybridopt.base.errors import FailedError
        from hybridopt.files.locking import locked_folder
        try:
            with locked_folder(Path({str(tmp_path)!r})):
                print("held")
        except FailedError as error:
            print(error)
    """
    with locking.locked_folder(tmp_path):
        assert "another run is writing there; wait for it" in run(code).stdout
    assert run(code).stdout.strip() == "held"


def test_a_folder_that_is_not_there_is_one_sentence(tmp_path):
    with (
        pytest.raises(locking.FailedError, match="could not be locked"),
        locking.locked_folder(tmp_path / "none"),
    ):
        pass


@pytest.fixture
def as_windows(monkeypatch):
    """Load the locking module as on Windows, with a stand-in for its module msvcrt."""
    held = set()

    def lock(handle, mode, count):
        facts = os.fstat(handle)
        if facts.st_ino in held:
            raise PermissionError(13, "Permission denied")
        held.add(facts.st_ino)

    stand_in = types.SimpleNamespace(locking=lock, LK_NBLCK=2)
    monkeypatch.setattr(sys, "platform", "win32")
    monkeypatch.setitem(sys.modules, "msvcrt", stand_in)
    monkeypatch.setitem(sys.modules, "fcntl", None)
    yield importlib.reload(locking)
    monkeypatch.undo()
    importlib.reload(locking)


def test_the_lock_on_windows_is_a_file_in_the_folder(tmp_path, as_windows):
    with as_windows.locked_folder(tmp_path):
        assert [path.name for path in tmp_path.iterdir()] == [as_windows.LOCK_FILE]
        with (
            pytest.raises(as_windows.FailedError, match="another run is writing there"),
            as_windows.locked_folder(tmp_path),
        ):
            pass


# --- cores ---


def test_cores_without_affinity(monkeypatch):
    """macOS and Windows have no `os.sched_getaffinity`; a count may be unknown."""
    assert usable_cores() >= 1
    monkeypatch.delattr(os, "sched_getaffinity", raising=False)
    monkeypatch.setattr(os, "cpu_count", lambda: 6)
    assert usable_cores() == 6
    monkeypatch.setattr(os, "cpu_count", lambda: None)
    assert usable_cores() == 1


# --- names ---


@pytest.mark.parametrize(
    "name",
    ["con", "CON.csv", "nul.tar.gz", "Com1", "lpt9.txt", "a:b.csv", "a?", 'a"b', "a|b", "a<b>c",
     "a*", "a\\b", "a/b", "a\x07", "end.", "end "],
)  # fmt: skip
def test_names_that_windows_refuses(name, tmp_path, monkeypatch):
    """Source: "Naming Files, Paths, and Namespaces", the vendor's documentation, from memory."""
    assert windows_refuses(name)
    stem = file_stem(name)
    assert not windows_refuses(stem) and not windows_refuses(f"{stem}.csv")
    if "/" not in name:
        monkeypatch.setattr(writing, "on_windows", lambda: True)
        with pytest.raises(InputError, match="Windows allows no such file name"):
            check_target(tmp_path / name, overwrite=True)


@pytest.mark.parametrize(
    "name", ["console.csv", "com0", "com10", "a.b", "größe", "null", ".hidden"]
)
def test_names_that_windows_allows(name):
    assert not windows_refuses(name)


def test_other_systems_keep_their_names(tmp_path, monkeypatch):
    monkeypatch.setattr(writing, "on_windows", lambda: False)
    check_target(tmp_path / "con.csv", overwrite=False)


def test_stems_of_different_names_differ():
    """What is cut or replaced is told apart by a hash; plain names stay as they are."""
    names = ["a b", "a_b", "a/b", "a?b", "con", "x" * 41, "x" * 42, "a", ".a", "a.", "", "_", "-a",
             "ä", "a\udc80"]  # fmt: skip
    stems = [file_stem(name) for name in names]
    assert len(set(stems)) == len(names)
    assert file_stem("wltc_class3b.low-2") == "wltc_class3b.low-2"
    assert all(0 < len(stem) <= 40 for stem in stems)


# --- writing ---


def test_files_are_flushed_by_a_handle_that_may_write(tmp_path, monkeypatch):
    """Windows refuses to flush what is open for reading only, and to open folders at all."""
    flags = []
    usual = os.open

    def opened(path, flag, *more):
        if os.path.isdir(path):
            raise PermissionError(13, "Permission denied")
        flags.append(flag)
        return usual(path, flag, *more)

    monkeypatch.setattr(os, "open", opened)
    flushed = []
    monkeypatch.setattr(os, "fsync", lambda handle: flushed.append(os.write(handle, b"")))
    write_atomically(tmp_path / "a", lambda path: path.write_bytes(b"mine"))
    assert flushed == [0] and all(flag & (os.O_RDWR | os.O_WRONLY) for flag in flags)
    assert (tmp_path / "a").read_bytes() == b"mine"


def test_line_ends_are_the_same_on_all_systems(tmp_path):
    """CSV files of cycles end their lines in a line feed alone, whatever the system's habit."""
    from hybridopt.inputs.cycle_writing import save_cycle

    save_cycle(hybridopt.read_cycle("ece15"), tmp_path / "a.csv", ["a note"])
    assert b"\r" not in (tmp_path / "a.csv").read_bytes()


@pytest.mark.long
@pytest.mark.parametrize("encoding", ["ascii", "cp1252"])
def test_letters_that_a_terminal_lacks_are_no_traceback(encoding, tmp_path):
    command = [sys.executable, "-m", "hybridopt", "solve", "größe→.csv"]
    environment = {**os.environ, "PYTHONIOENCODING": encoding, "PYTHONUTF8": "0"}
    done = subprocess.run(command, capture_output=True, env=environment, cwd=tmp_path)
    assert done.returncode == 2
    assert done.stderr.startswith(b"error: ") and b"Traceback" not in done.stderr


def test_on_windows_follows_the_system(monkeypatch):
    monkeypatch.setattr(sys, "platform", "win32")
    assert platform.on_windows()
    monkeypatch.setattr(sys, "platform", "darwin")
    assert not platform.on_windows()
