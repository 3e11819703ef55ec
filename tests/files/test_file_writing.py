"""Nothing a user had is lost: links, races, full disks, interrupts, kills; no formula in a CSV."""

import os
import random
import signal
import subprocess
import sys
import textwrap
import time
import warnings
from pathlib import Path

import numpy as np
import pytest
import xarray as xr
from case_counts import cases
from rule_tables import hand_made

from hybridopt import Cycle, InputError, read_cycle
from hybridopt.base.errors import FailedError
from hybridopt.base.warning import InputWarning
from hybridopt.files import writing as files_module
from hybridopt.files.csv_table import read_columns
from hybridopt.files.locking import locked_folder
from hybridopt.files.sealed_netcdf import read_sealed, sealed
from hybridopt.files.writing import (
    TEMPORARY,
    WHOLE,
    check_target,
    comment_line,
    file_stem,
    finish_cut_short,
    tell_cut_short,
    write_atomically,
    write_together,
)
from hybridopt.inputs.cycle_writing import save_cycle
from hybridopt.tables.files import read_rule_set, write_csv

ENDS = [getattr(signal, name) for name in ("SIGKILL", "SIGTERM", "SIGINT") if hasattr(signal, name)]
on_posix = pytest.mark.skipif(sys.platform == "win32", reason="Windows has no such thing")


def put(text):
    return lambda path: path.write_text(text)


def contents(folder):
    return {path.name: path.read_text() for path in folder.iterdir() if path.is_file()}


def names(folder):
    return {path.name for path in folder.iterdir()}


# --- what may be a target ---


@pytest.mark.parametrize("overwrite", [False, True])
@pytest.mark.parametrize("dangling", [False, True])
def test_a_link_is_neither_followed_nor_replaced(tmp_path, overwrite, dangling):
    theirs = tmp_path / "theirs"
    if not dangling:
        theirs.write_text("theirs")
    link = tmp_path / "out.csv"
    link.symlink_to(theirs)
    with pytest.raises(InputError, match="is a link to .*theirs; name that file itself"):
        write_atomically(link, put("mine"), overwrite)
    assert link.is_symlink() and (dangling or theirs.read_text() == "theirs")


@pytest.mark.skipif(not sys.platform.startswith("linux"), reason="needs /proc")
def test_a_folder_that_takes_no_file_is_refused_before_the_work():
    with pytest.raises(InputError, match="/proc: no file can be written there .*choose another"):
        check_target(Path("/proc/a"), overwrite=False)


@on_posix
def test_a_device_or_pipe_is_refused(tmp_path):
    pipe = tmp_path / "pipe"
    os.mkfifo(pipe)
    with pytest.raises(InputError, match="is no ordinary file"):
        check_target(pipe, overwrite=True)


def test_a_hard_link_keeps_its_other_name(tmp_path):
    """Replacing by renaming leaves the other name with the old content."""
    (tmp_path / "a").write_text("old")
    os.link(tmp_path / "a", tmp_path / "b")
    write_atomically(tmp_path / "a", put("new"), overwrite=True)
    assert contents(tmp_path) == {"a": "new", "b": "old"}


def test_a_file_that_comes_in_the_meantime_stays(tmp_path):
    target = tmp_path / "out.csv"

    def write(path):
        path.write_text("mine")
        target.write_text("theirs")

    with pytest.raises(InputError, match="exists already"):
        write_atomically(target, write)
    assert contents(tmp_path) == {"out.csv": "theirs"}


def test_a_link_that_comes_in_the_meantime_is_not_followed(tmp_path):
    target, theirs = tmp_path / "out.csv", tmp_path / "theirs"
    theirs.write_text("theirs")

    def write(path):
        path.write_text("mine")
        target.symlink_to(theirs)

    with pytest.raises(InputError):
        write_atomically(target, write)
    assert theirs.read_text() == "theirs"


def test_a_file_system_without_hard_links(tmp_path, monkeypatch):
    def refuse(*_):
        raise OSError(95, "Operation not supported")

    monkeypatch.setattr(os, "link", refuse)
    write_atomically(tmp_path / "a", put("mine"))
    assert contents(tmp_path) == {"a": "mine"}


@on_posix
def test_modes_follow_the_umask(tmp_path):
    write_atomically(tmp_path / "a", put("mine"))
    plain = tmp_path / "b"
    plain.write_text("")
    assert (tmp_path / "a").stat().st_mode == plain.stat().st_mode


# --- several files together ---


def test_none_of_several_is_named_before_all_are_whole(tmp_path):
    (tmp_path / "a").write_text("old a")

    def full(path):
        path.write_text("half")
        raise OSError(28, "No space left on device")

    targets = [(tmp_path / "a", put("new a")), (tmp_path / "b", full)]
    with pytest.raises(FailedError, match=r"b: could not be written \(No space left on device\)"):
        write_together(targets, overwrite=True)
    assert contents(tmp_path) == {"a": "old a"}
    write_together([(tmp_path / "a", put("new a")), (tmp_path / "b", put("b"))], overwrite=True)
    assert contents(tmp_path) == {"a": "new a", "b": "b"}


def test_all_are_checked_before_any_is_written(tmp_path):
    (tmp_path / "b").write_text("old")
    with pytest.raises(InputError, match="exists already"):
        write_together([(tmp_path / "a", put("a")), (tmp_path / "b", put("b"))])
    assert contents(tmp_path) == {"b": "old"}


def test_a_disk_without_room_for_a_folder_is_said_with_the_file(tmp_path, monkeypatch):
    def full(*_):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(Path, "mkdir", full)
    with pytest.raises(FailedError, match=r"/a: could not be written \(No space left on device\)"):
        write_together([(tmp_path / name, put("new")) for name in "ab"])


# --- the disk fills up, really ---

FULL = """
    import resource, sys
    from pathlib import Path
    from hybridopt import Result, Settings, read_cycle, read_driveline, solve_cycle
    from hybridopt.base.errors import FailedError
    from hybridopt.inputs.cycle_writing import save_cycle
    from hybridopt import plot_schedule, save_figure
    result = solve_cycle(
        read_cycle("ece15"), read_driveline("full"), Settings(soc_points=51, splits=9), bound=False
    )
    out, figure = Path(sys.argv[1]), plot_schedule(result)
    resource.setrlimit(resource.RLIMIT_FSIZE, (2000, 2000))
    for name, write in (
        ("a.nc", result.to_netcdf),
        ("a.csv", result.to_csv),
        ("a.png", lambda path, overwrite: save_figure(figure, path, overwrite=overwrite)),
        ("c.csv", lambda p, overwrite: save_cycle(read_cycle("udds"), p, overwrite=overwrite)),
    ):
        try:
            write(out / name, overwrite=True)
        except FailedError as error:
            print(error)
"""


def script(code, *args):
    return [sys.executable, "-W", "error", "-c", textwrap.dedent(code), *map(str, args)]


@pytest.mark.long
@on_posix
def test_every_writer_meets_a_limit_of_size(tmp_path):
    """RLIMIT_FSIZE stands for a full disk: each write beyond 2000 bytes fails (EFBIG)."""
    names = ("a.nc", "a.csv", "a.png", "c.csv")
    for name in names:
        (tmp_path / name).write_text("old")
    done = subprocess.run(script(FULL, tmp_path), capture_output=True, text=True)
    assert done.returncode == 0, done.stderr
    lines = done.stdout.splitlines()
    assert len(lines) == 4 and all("could not be written (File too large)" in x for x in lines)
    assert contents(tmp_path) == dict.fromkeys(names, "old")


# --- interrupts and kills ---

SLOW = """
    import sys, time
    from pathlib import Path
    from hybridopt.files.writing import write_together
    def slow(path):
        with path.open("w") as file:
            for _ in range(100):
                file.write("new" * 10)
                file.flush()
                time.sleep(0.02)
    print("ready", flush=True)
    write_together([(Path(sys.argv[1]) / n, slow) for n in ("a", "b")], overwrite=True)
"""


@pytest.mark.long
@on_posix
@pytest.mark.parametrize("stop", ENDS)
@pytest.mark.parametrize("after", [0.0, 0.5, 2.2])
def test_whatever_ends_it_the_old_files_are_whole(tmp_path, stop, after):
    for name in ("a", "b"):
        (tmp_path / name).write_text("old")
    with subprocess.Popen(
        script(SLOW, tmp_path), stdout=subprocess.PIPE, stderr=subprocess.DEVNULL
    ) as job:
        assert job.stdout is not None
        job.stdout.readline()
        time.sleep(after)
        job.send_signal(stop)
    assert contents(tmp_path) == {"a": "old", "b": "old"}
    left = names(tmp_path) - {"a", "b"}
    assert all(name.startswith(TEMPORARY) for name in left)
    if stop == signal.SIGINT:
        assert not left
    write_atomically(tmp_path / "c", put("c"))
    assert names(tmp_path) == {"a", "b", "c"}, "leftovers are not swept"
    assert contents(tmp_path) == {"a": "old", "b": "old", "c": "c"}


def test_interrupts_at_every_system_call(tmp_path, monkeypatch):
    """KeyboardInterrupt out of each call in turn: the old file is whole, nothing is left over."""
    for name in ("close", "open", "fsync", "replace"):
        folder = tmp_path / name
        folder.mkdir()
        (folder / "a").write_text("old")
        with monkeypatch.context() as patch:

            def stop(*_args, **_named):
                raise KeyboardInterrupt

            patch.setattr(files_module.os, name, stop)
            with pytest.raises(KeyboardInterrupt):
                write_atomically(folder / "a", lambda path: None, overwrite=True)
        assert contents(folder) == {"a": "old"} and names(folder) == {"a"}, name


NAMING = """
    import os, sys, time
    from pathlib import Path
    from hybridopt.files.writing import write_together
    usual = os.replace
    def slow(*args):
        usual(*args)
        time.sleep(0.1)
    os.replace = slow
    print("ready", flush=True)
    def put(path):
        path.write_text("new")
    write_together([(Path(sys.argv[1]) / n, put) for n in "abcdef"], overwrite=True)
"""


def cut_short(folder, stop, after):
    """Write six old files, then new ones over them, slowly named; stop that after a time, s."""
    for name in "abcdef":
        (folder / name).write_text("old")
    with subprocess.Popen(
        script(NAMING, folder), stdout=subprocess.PIPE, stderr=subprocess.DEVNULL
    ) as job:
        job.stdout.readline()
        time.sleep(after)
        job.send_signal(stop)


@on_posix
def test_a_kill_between_names_is_found_finished_and_said(tmp_path):
    cut_short(tmp_path, signal.SIGKILL, 0.25)
    assert set(contents(tmp_path).values()) == {"old", "new"}, "the kill came at the wrong time"
    with pytest.warns(InputWarning, match="was killed while it named its files.* f$"):
        write_atomically(tmp_path / "other", put("other"))
    assert contents(tmp_path) == {**dict.fromkeys("abcdef", "new"), "other": "other"}
    assert names(tmp_path) == {*"abcdef", "other"}


@on_posix
def test_readers_say_that_files_of_different_runs_stand_side_by_side(tmp_path):
    """Rule tables in a folder, and a result beside its table and picture, until the next write."""
    rules, result = hand_made(), tmp_path / "r.nc"
    write_csv(rules, tmp_path)
    result.write_bytes(sealed(xr.Dataset({"a": 1.0})))
    cut_short(tmp_path, signal.SIGKILL, 0.25)
    said = "was killed while it named its files.* of it are missing .*f; write there again"
    for read in (lambda: read_rule_set(tmp_path), lambda: read_sealed(result, "file", "mend")):
        with pytest.warns(InputWarning, match=said):
            read()
    with pytest.warns(InputWarning, match="done now"):
        write_atomically(tmp_path / "other", put("other"))
    read_rule_set(tmp_path)
    read_sealed(result, "file", "mend")


@on_posix
@pytest.mark.parametrize("overwrite", [False, True])
def test_readers_say_nothing_of_a_run_at_work_or_of_whole_sets(tmp_path, overwrite):
    write_together([(tmp_path / name, put("new")) for name in "ab"], overwrite)
    staging = tmp_path / f"{TEMPORARY}0"
    staging.mkdir()
    (staging / WHOLE).write_text("new")
    (staging / "c").write_text("new")
    with locked_folder(staging):
        tell_cut_short(tmp_path)
    os.link(staging / "c", tmp_path / "c")
    tell_cut_short(tmp_path)


@on_posix
def test_an_interrupt_between_names_leaves_files_of_one_run(tmp_path):
    cut_short(tmp_path, signal.SIGINT, 0.25)
    assert contents(tmp_path) == dict.fromkeys("abcdef", "new")
    assert names(tmp_path) == set("abcdef")


def assert_kills_leave_one_run(tmp_path, count):
    chance, ends = random.Random(24), []
    for i in range(count):
        folder = tmp_path / str(i)
        folder.mkdir()
        cut_short(folder, signal.SIGKILL, chance.random() * 0.8)
        with warnings.catch_warnings(record=True) as told:
            warnings.simplefilter("always")
            finish_cut_short(folder)
        (end,) = set(contents(folder).values())
        ends.append((end, len(told)))
        assert names(folder) == set("abcdef")
    assert ("new", 1) in ends, "no kill came between the names"


@pytest.mark.long
@on_posix
def test_kills_at_random_leave_files_of_one_run(tmp_path):
    assert_kills_leave_one_run(tmp_path, 5)


@pytest.mark.long
@on_posix
def test_many_kills_leave_files_of_one_run(tmp_path):
    assert_kills_leave_one_run(tmp_path, cases(60))


def test_files_of_a_run_at_work_are_not_swept(tmp_path):
    def write(path):
        finish_cut_short(tmp_path)  # as another run would
        path.write_text("mine")

    write_together([(tmp_path / name, write) for name in "ab"])
    assert contents(tmp_path) == {"a": "mine", "b": "mine"}


# --- text that spreadsheets would run, names that would leave the folder ---


@pytest.mark.parametrize(
    "text", ["a,=cmd()", 'a,"=cmd()"', "a;+1", "a\t@x", "x, -1", "a\n=cmd()", "a\r\n-1", '"",=1']
)
def test_no_cell_of_a_comment_is_a_formula(text):
    import csv

    line = comment_line(text)
    assert "\n" not in line and "\r" not in line
    for delimiter in ",;\t":
        cells = next(csv.reader([line], delimiter=delimiter))
        assert not any(cell.strip("\"' ").startswith(tuple("=+-@")) for cell in cells)
        assert len(cells) == 1 or delimiter != ","
    assert line.lstrip('"').startswith("#")


def test_plain_comments_stay_plain():
    assert comment_line("fuel_g: 12.5") == "# fuel_g: 12.5"
    assert comment_line('settings: {"a": 1, "b": 2}') == '# settings: {"a": 1, "b": 2}'


@pytest.mark.parametrize(
    "name",
    ["../../etc/passwd", "/abs", "..", ".hidden", "a/b", "a\0b", "-rf", "", "x" * 500, "a\nb"],
)
def test_stem_stays_in_its_folder(name):
    stem = file_stem(name)
    assert stem and len(stem) <= 40 and "/" not in stem and "\0" not in stem
    assert not stem.startswith((".", "-"))


def test_cycle_file_gives_the_same_cycle_back(tmp_path):
    time = np.array([0.0, 0.5, 1.7, 3.0])
    cycle = Cycle("x", time, np.array([0.0, 1.25, 3.0, 0.0]), np.array([0.0, 0.01, -0.02, 0.0]))
    path = tmp_path / "x.csv"
    save_cycle(cycle, path, ["made, =cmd()", "second\nline"])
    again = read_cycle(path)
    for name in ("time", "speed", "grade"):
        assert getattr(again, name) == pytest.approx(getattr(cycle, name), rel=1e-11)
    columns, _ = read_columns(path, ["time_s"])
    assert columns["time_s"].size == 4
    with pytest.raises(InputError, match="exists already"):
        save_cycle(cycle, path)
