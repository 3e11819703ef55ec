"""ASAM MDF 3 and 4, written by asammdf (a reference library) and read back; damaged files."""

import struct
import subprocess
import sys
import zlib
from importlib.util import find_spec

import numpy as np
import pytest
from case_counts import cases
from log_makers import KM_PER_H, altitude_at, assert_the_drive, grade_at, speed_at, stamps

from hybridopt.base.errors import FailedError, InputError
from hybridopt.measurements import mdf_log
from hybridopt.measurements.channels import ColumnRequest
from hybridopt.measurements.drive import import_drive

pytestmark = pytest.mark.skipif(find_spec("asammdf") is None, reason="needs asammdf")
FORKED = pytest.mark.usefixtures("forked")


def signal(name, time, values, unit="", **extra):
    import asammdf  # takes seconds

    return asammdf.Signal(
        samples=np.asarray(values), timestamps=time, name=name, unit=unit, **extra
    )


def save(path, version, groups, compression=0):
    import asammdf

    mdf = asammdf.MDF(version=version)
    for group in groups:
        mdf.append(group)
    saved = mdf.save(path, overwrite=True, compression=compression)
    mdf.close()
    return saved.rename(path)


def groups(fast=None, slow=None):
    fast, slow = stamps(50) if fast is None else fast, stamps(2) if slow is None else slow
    return [
        [
            signal("Vehicle Speed", fast, speed_at(fast) / KM_PER_H, "km/h"),
            signal("engine speed", fast, 900 + 0 * fast, "rpm"),
        ],
        [signal("Altitude", slow, altitude_at(slow), "m")],
    ]


@pytest.mark.parametrize(
    ("version", "name", "compression"),
    [
        pytest.param("4.10", "log.mf4", 0, marks=pytest.mark.long),
        ("4.11", "log.mf4", 2),
        ("3.30", "log.mdf", 0),
        ("2.14", "log.dat", 0),
    ],
)
def test_rasters_units_and_usual_names(tmp_path, request, version, name, compression):
    if version != "4.10":  # which a process of its own reads
        request.getfixturevalue("forked")
    path = save(tmp_path / name, version, groups(), compression)
    drive = import_drive(path)
    assert_the_drive(drive)
    assert drive.log.kind.startswith("MDF") and set(drive.choices) == {"speed", "altitude"}
    inside = slice(60, -60)  # 480 m from either end
    assert np.abs(drive.cycle.grade - grade_at(drive.cycle.time))[inside].max() < 0.006


@FORKED
def test_channels_are_named_and_units_overruled(tmp_path):
    time = stamps()
    path = save(tmp_path / "a.mf4", "4.10", [[signal("v_ref", time, speed_at(time))]])
    with pytest.raises(InputError, match="no column is called vehicle speed .*columns: v_ref"):
        import_drive(path)
    with pytest.raises(InputError, match="has no unit"):
        import_drive(path, {"speed": (ColumnRequest("v_ref"), "option")})
    assert_the_drive(import_drive(path, {"speed": (ColumnRequest("v_ref", "m/s"), "option")}))
    with pytest.raises(InputError, match="own time base"):
        import_drive(path, {"time": (ColumnRequest("time"), "option")})


@FORKED
def test_integers_with_a_conversion(tmp_path):
    """A raw value of 0.01 km/h per bit, as buses send it."""
    time = stamps()
    raw = np.round(speed_at(time) / KM_PER_H * 100).astype(np.uint16)
    linear = {"a": 0.01, "b": 0.0}
    path = save(
        tmp_path / "a.mf4", "4.10", [[signal("speed", time, raw, "km/h", conversion=linear)]]
    )
    assert_the_drive(import_drive(path))


@FORKED
def test_the_same_channel_twice_is_asked_for(tmp_path):
    time = stamps()
    twice = [[signal("speed", time, speed_at(time), "m/s")] for _ in range(2)]
    path = save(tmp_path / "a.mf4", "4.10", twice)
    with pytest.raises(InputError, match="2 columns may be the speed: speed#1, speed#2"):
        import_drive(path)
    assert_the_drive(import_drive(path, {"speed": (ColumnRequest("speed#2"), "option")}))


@FORKED
def test_text_channel_is_refused(tmp_path):
    time = stamps(1)
    words = np.array([b"abc"] * time.size)
    path = save(
        tmp_path / "a.mf4", "4.10", [[signal("speed", time, words, "m/s", encoding="utf-8")]]
    )
    with pytest.raises(InputError, match="cannot be read as MDF .* holds no numbers"):
        import_drive(path)


@FORKED
def test_damage_is_one_sentence(tmp_path):
    whole = save(tmp_path / "a.mf4", "4.10", groups(), 2).read_bytes()
    for content in (
        whole[:100],
        whole[:1000],
        whole[:64] + b"\xff" * 3000,
        b"MDF     " + b"\0" * 99,
    ):
        path = tmp_path / "damaged.mf4"
        path.write_bytes(content)
        with pytest.raises(InputError, match="cannot be read as MDF|no column") as caught:
            import_drive(path)
        assert "\n" not in str(caught.value)


def test_a_crash_of_the_library_is_one_sentence(tmp_path, monkeypatch):
    path = save(tmp_path / "a.mf4", "4.10", groups())
    child = tmp_path / "child.py"
    child.write_text("import os, signal\nos.kill(os.getpid(), signal.SIGSEGV)\n")
    monkeypatch.setattr(mdf_log, "CHILD", child)
    with pytest.raises(InputError, match="ended by signal 11"):
        import_drive(path)


@pytest.mark.long
@pytest.mark.skipif(not sys.platform.startswith("linux"), reason="needs a limit of memory")
@pytest.mark.parametrize("room", [60, 150])
def test_too_little_memory_is_not_called_damage(room, tmp_path, monkeypatch):
    """As `ulimit -v` does it; a good log is not at fault."""
    path = save(tmp_path / "a.mf4", "4.10", groups())
    child = tmp_path / "child.py"
    child.write_text(
        "import resource, runpy\n"
        f"resource.setrlimit(resource.RLIMIT_AS, ({room} << 20,) * 2)\n"
        f"runpy.run_path({str(mdf_log.CHILD)!r}, run_name='__main__')\n"
    )
    monkeypatch.setattr(mdf_log, "CHILD", child)
    with pytest.raises(FailedError, match="the memory that a process may use here is too little"):
        import_drive(path)


def test_an_endless_read_is_ended(tmp_path, monkeypatch):
    path = save(tmp_path / "a.mf4", "4.10", groups())
    child = tmp_path / "child.py"
    child.write_text("import time\ntime.sleep(60)\n")
    monkeypatch.setattr(mdf_log, "CHILD", child)
    monkeypatch.setattr(mdf_log, "PATIENCE", 0.3)
    with pytest.raises(InputError, match="took more than 0.3 s"):
        import_drive(path)


def unfinished(whole):
    """Return a file as a logger leaves it that lost its power.

    ASAM MDF 4.1, 5.3 and 5.2 (from memory): the first bytes say UnFinMF, the flags at byte 60 that
    counters of channel groups and the length of the last data block are to be updated.
    """
    cut = bytearray(whole)
    cut[:8], cut[60:62] = b"UnFinMF ", (1 | 4).to_bytes(2, "little")
    group, data = cut.find(b"##CG"), cut.find(b"##DT")
    assert group > 0 < data
    cut[group + 80 : group + 88] = bytes(8)
    cut[data + 8 : data + 16] = (24).to_bytes(8, "little")
    return bytes(cut)


@FORKED
def test_an_unfinished_file_is_read(tmp_path):
    time = stamps(20)
    group = [signal("Vehicle Speed", time, speed_at(time) / KM_PER_H, "km/h")]
    path = save(tmp_path / "a.mf4", "4.10", [group])
    content = unfinished(path.read_bytes())
    path.write_bytes(content)
    drive = import_drive(path)
    assert_the_drive(drive)
    assert "never finished" in drive.log.kind
    assert path.read_bytes() == content and [file.name for file in tmp_path.iterdir()] == ["a.mf4"]


@FORKED
def test_an_unfinished_file_of_nothing_is_refused(tmp_path):
    path = tmp_path / "a.mf4"
    path.write_bytes(b"UnFinMF 4.10    " + b"\0" * 200)
    with pytest.raises(InputError, match="never finished.*let the logger or its software close it"):
        import_drive(path)


def test_without_the_extra_the_sentence_says_how_to_install_it(tmp_path, monkeypatch):
    path = save(tmp_path / "a.mf4", "4.10", groups())
    monkeypatch.setattr(mdf_log.importlib.util, "find_spec", lambda name: None)
    with pytest.raises(InputError, match=r"python -m pip install 'hybridopt\[mdf\]'"):
        import_drive(path)


@pytest.mark.long
def test_asammdf_is_never_imported_here():
    """Neither by the package nor for a text log: only the child that reads an MDF file has it."""
    code = (
        "import sys, hybridopt.measurements.drive, hybridopt.measurements.mdf_log, "
        "hybridopt.cli.main; print('asammdf' in sys.modules)"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout == "False\n"


# --- files that unpack to much more than they are ---


def packed_zeros(count):
    packer = zlib.compressobj(9)
    return b"".join(packer.compress(bytes(count >> 6)) for _ in range(64)) + packer.flush()


def with_block(whole, claim, block, links=1, kind=0):
    """Return an MDF file with other data: a packed block, listed so many times.

    ASAM MDF 4.1, blocks DG, DZ and DL (from memory).
    """
    content = bytearray(whole + bytes(-len(whole) % 8))
    place = len(content)
    content += struct.pack("<4sIQQ", b"##DZ", 0, 48 + len(block), 0)
    content += struct.pack("<2sBBIQQ", b"DT", kind, 0, 24 * kind, claim, len(block)) + block
    if links > 1:
        content += bytes(-len(content) % 8)
        listed, place = place, len(content)
        content += struct.pack("<4sIQQ", b"##DL", 0, 48 + 8 * links, links + 1)
        content += struct.pack("<Q", 0) + struct.pack("<Q", listed) * links
        content += struct.pack("<BBHIQ", 1, 0, 0, links, claim)
    struct.pack_into("<Q", content, whole.find(b"##DG") + 40, place)
    return bytes(content)


def with_records(content, count):
    """Return an MDF file whose first channel group claims so many records."""
    changed = bytearray(content)
    struct.pack_into("<Q", changed, changed.find(b"##CG") + 80, count)
    return bytes(changed)


HUGE, MUCH = 400_000_000, "would unpack to more than 100 times its size and 50 MB; store it"
BOMBS = {
    "a claim of 80 GB": (lambda whole: with_block(whole, 80 * 10**9, packed_zeros(1 << 16)), MUCH),
    "zeros": (lambda whole: with_block(whole, HUGE, packed_zeros(HUGE)), MUCH),
    "zeros that claim to be few": (lambda whole: with_block(whole, 9, packed_zeros(HUGE)), MUCH),
    "zeros, transposed": (lambda whole: with_block(whole, HUGE, packed_zeros(HUGE), 1, 1), MUCH),
    "a block listed often": (
        lambda whole: with_records(
            with_block(whole, 4 << 20, packed_zeros(4 << 20), 1000), 40_000_000
        ),
        "claims more than 50000000 samples in a channel or more than it holds",
    ),
    "records that are not there": (
        lambda whole: with_records(whole, 40_000_000),
        "claims more than 50000000 samples in a channel or more than it holds",
    ),
}
MEASURED = """
import resource, sys, warnings
from hybridopt.measurements.drive import import_drive
try:
    import_drive(sys.argv[1])
except Exception as error:
    print(error)
(own,) = (int(line.split()[1]) for line in open("/proc/self/status") if line.startswith("VmHWM"))
print(max(own, resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss) // 1024)
"""


@pytest.mark.skipif(not sys.platform.startswith("linux"), reason="counts memory in its unit")
@pytest.mark.long
@pytest.mark.parametrize("bomb", BOMBS)
def test_a_file_that_unpacks_to_much_more_is_refused(bomb, tmp_path):
    """3 MB of zeros took 7 GB and minutes; a log like this takes 0.15 GB."""
    make, words = BOMBS[bomb]
    path = save(tmp_path / "a.mf4", "4.10", groups(), 2)
    path.write_bytes(make(path.read_bytes()))
    assert path.stat().st_size < 1_000_000
    command = [sys.executable, "-c", MEASURED, str(path)]
    done = subprocess.run(command, capture_output=True, text=True, timeout=120, check=True)
    said, megabytes = done.stdout.splitlines()
    assert words in said and int(megabytes) < 400


def damaged(content, random):
    """Return the content cut short, or with bytes or whole words changed."""
    changed = bytearray(content)
    match random.integers(3):
        case 0:
            return bytes(changed[: random.integers(len(changed))])
        case 1:
            for place in random.integers(0, min(len(changed), 6000), random.integers(1, 20)):
                changed[place] = random.integers(256)
        case 2:
            for place in random.integers(0, min(len(changed), 4000) // 8, random.integers(1, 4)):
                word = (b"\xff" * 8, b"\0" * 8, b"\xff" * 7 + b"\x7f")[random.integers(3)]
                changed[8 * place : 8 * place + 8] = word
    return bytes(changed)


def read_damaged(tmp_path, version, compression, count):
    time = stamps(5)
    whole = save(tmp_path / "whole.mf4", version, groups(time), compression).read_bytes()
    random = np.random.default_rng(7)
    for _ in range(count):
        path = tmp_path / "damaged.mf4"
        path.write_bytes(damaged(whole, random))
        try:
            drive = import_drive(path)
        except InputError as error:
            assert "\n" not in str(error) and len(str(error)) < 3000
        else:
            assert np.isfinite(drive.cycle.speed).all()


@FORKED
def test_damaged_files(tmp_path):
    read_damaged(tmp_path, "4.10", 2, 2)


@FORKED
@pytest.mark.long
@pytest.mark.parametrize(("version", "compression"), [("4.10", 0), ("4.11", 2), ("3.30", 0)])
def test_many_damaged_files(tmp_path, version, compression):
    """Each in a process of its own; a compressed one can crash the library outright."""
    read_damaged(tmp_path, version, compression, cases(20))
