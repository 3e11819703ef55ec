"""Files from outside: ordinary ones of a known size, or one sentence, never a wait without end."""

import os
import sys
import threading
from pathlib import Path

import h5py
import numpy as np
import pytest
from rule_tables import hand_made

from hybridopt import InputError, Result, read_cycle, read_driveline
from hybridopt.evaluation.sources import read_controller
from hybridopt.files.netcdf_child import ALWAYS, MAX_ATTRIBUTES
from hybridopt.files.reading import open_ordinary, read_ordinary
from hybridopt.files.seal import seal
from hybridopt.files.sealed_netcdf import read_sealed
from hybridopt.inputs.maps import read_curve
from hybridopt.measurements.bench_points import read_points
from hybridopt.measurements.channels import read_map as read_mapping
from hybridopt.measurements.drive import import_drive
from hybridopt.report.contents import read_comparison
from hybridopt.study.study_file import read_study
from hybridopt.tables.files import read_rule_set, write_csv

READERS = {
    "cycle": (read_cycle, "a.csv"),
    "driveline": (read_driveline, "a.toml"),
    "curve": (read_curve, "a.csv"),
    "bench points": (lambda path: read_points(path, "motor"), "a.csv"),
    "mapping": (read_mapping, "a.toml"),
    "log": (import_drive, "a.mf4"),
    "result": (Result.read, "a.nc"),
    "comparison": (read_comparison, "a.json"),
    "rules": (read_rule_set, "a.json"),
    "rules in NetCDF": (read_rule_set, "a.nc"),
    "controller": (lambda path: read_controller(f"{path}:rule"), "a.py"),
    "schedule": (lambda path: read_controller(str(path)), "a.nc"),
    "study": (read_study, "a.toml"),
}
posix = pytest.mark.skipif(sys.platform == "win32", reason="has neither pipes nor devices as files")


def refused(read, path):
    """Return the sentence that refuses a file, which must come within 20 s."""
    said = []

    def work():
        try:
            read(path)
        except InputError as error:
            said.append(str(error))

    thread = threading.Thread(target=work, daemon=True)
    thread.start()
    thread.join(20.0)
    assert said, "it waits, or was taken"
    assert str(path) in said[0] and said[0].isprintable() and len(said[0]) < 1000
    return said[0]


@posix
@pytest.mark.parametrize("name", READERS)
@pytest.mark.parametrize("kind", ["pipe", "endless device", "folder"])
def test_what_is_no_ordinary_file_is_refused(kind, name, tmp_path):
    read, file = READERS[name]
    path = tmp_path / file
    if kind == "pipe":
        os.mkfifo(path)
    elif kind == "folder":
        path.mkdir()
    else:
        path.symlink_to("/dev/zero")
    refused(read, path)


@posix
def test_a_pipe_in_a_folder_of_rule_tables_is_refused(tmp_path):
    path = write_csv(hand_made(), tmp_path)[0]
    path.unlink()
    os.mkfifo(path)
    assert "missing" in refused(read_rule_set, tmp_path)


@posix
def test_words(tmp_path):
    os.mkfifo(tmp_path / "pipe")
    (tmp_path / "long").write_bytes(bytes(3_000_001))
    for path, most, words in (
        (tmp_path / "pipe", 9, "is a pipe or device, no ordinary file; give a file"),
        (Path("/dev/zero"), 9, "is a pipe or device, no ordinary file; give a file"),
        (tmp_path, 9, "is a folder; give a file"),
        (tmp_path / "none", 9, "cannot be read (No such file or directory)"),
        (Path("a\0b"), 9, "cannot be read (embedded null byte)"),
        (tmp_path / "long", 3_000_000, "is 3.0 MB; at most 3 MB is read; cut it"),
    ):
        with pytest.raises(InputError) as caught, open_ordinary(path, most):
            pass
        assert str(caught.value) == f"{path}: {words}"


def test_no_more_is_read_than_was_there_when_it_was_opened(tmp_path):
    path = tmp_path / "a"
    path.write_bytes(b"12345")
    assert read_ordinary(path, 5) == b"12345"
    (tmp_path / "b").symlink_to(path)
    assert read_ordinary(tmp_path / "b", 5) == b"12345", "a link to an ordinary file is one"


# --- NetCDF that fetches from elsewhere ---

SECRET = b"a line that is not for the report\n"


def outside(path, secret):
    """Write a file with values in another file."""
    with h5py.File(path, "w") as file:
        size = len(SECRET)
        file.create_dataset("speed", (size,), "u1", external=[(str(secret), 0, size)])


def linked(path, secret):
    with h5py.File(secret, "w") as other:
        other["speed"] = np.arange(3.0)
    with h5py.File(path, "w") as file:
        file["speed"] = h5py.ExternalLink(str(secret), "/speed")


def linked_below(path, secret):
    with h5py.File(path, "w") as file:
        file.create_group("a/b")["speed"] = h5py.ExternalLink(str(secret), "/speed")


def soft(path, secret):
    with h5py.File(path, "w") as file:
        file["speed"] = h5py.SoftLink("/a")


def virtual(path, secret):
    with h5py.File(secret, "w") as other:
        other["speed"] = np.arange(3.0)
    layout = h5py.VirtualLayout((3,), "f8")
    layout[:] = h5py.VirtualSource(str(secret), "speed", (3,))
    with h5py.File(path, "w") as file:
        file.create_virtual_dataset("speed", layout)


@pytest.mark.long
@pytest.mark.parametrize("with_seal", [True, False])
@pytest.mark.parametrize(
    ("make", "words"),
    [
        (outside, "is values kept in another file; write all"),
        (linked, "is a link, not data of its own; write all"),
        (linked_below, "is a link, not data of its own; write all"),
        (soft, "is a link, not data of its own; write all"),
        (virtual, "is a virtual dataset; write all"),
    ],
)
def test_values_of_other_files_are_refused_before_they_are_read(make, words, with_seal, tmp_path):
    """With the right seal, which anybody can make, and without."""
    path, secret = tmp_path / "a.nc", tmp_path / "secret"
    secret.write_bytes(SECRET)
    make(path, secret)
    if with_seal:
        path.write_bytes(path.read_bytes() + seal(path.read_bytes()))
    with pytest.raises(InputError, match=rf"a.nc: variable 'speed' {words}"):
        read_sealed(path, "file", "mend")


@pytest.mark.long
@pytest.mark.parametrize("with_seal", [True, False])
def test_a_file_that_unpacks_to_much_more_is_refused(with_seal, tmp_path):
    """1 GB of zeros in a megabyte: four of them took 4 GB."""
    path = tmp_path / "a.nc"
    with h5py.File(path, "w") as file:
        size = 2 * ALWAYS // 8
        file.create_dataset("a", (size,), "f8", chunks=(10**6,), compression=9)[...] = 0.0
    if with_seal:
        path.write_bytes(path.read_bytes() + seal(path.read_bytes()))
    with pytest.raises(InputError, match="would unpack to 100 MB, more than 100 times its size"):
        read_sealed(path, "file", "mend")


def test_texts_that_share_one_long_text_are_refused(tmp_path):
    """Each of many may be as long as the file."""
    path = tmp_path / "a.nc"
    with h5py.File(path, "w") as file:
        file.create_dataset("a", (100_000,), h5py.string_dtype())[:1] = ["x" * 100_000]
    path.write_bytes(path.read_bytes() + seal(path.read_bytes()))
    with pytest.raises(InputError, match="would unpack to "):
        read_sealed(path, "file", "mend")


# --- attributes ---


def many(thing):
    for i in range(MAX_ATTRIBUTES + 1):
        thing.attrs[f"a{i}"] = i


def shared(thing):
    """Each of many texts may be as long as the file."""
    thing.attrs.create("a", ["x" * 60_000] * 1000, dtype=h5py.string_dtype())


ATTRIBUTES = {
    "many of the file": (lambda file: many(file), "holds more than 20000 attributes; remove some"),
    "many of a variable": (lambda file: many(file["speed"]), "holds more than 20000 attributes"),
    "texts": (lambda file: shared(file["speed"]), "would unpack to 60.1 GB; at most 1 GB is read"),
    "a reference": (lambda file: file.attrs.create("a", file["speed"].ref), "is no file"),
    "a region": (lambda file: file.attrs.create("a", file["speed"].regionref[:2]), "is no file"),
    "no list of dimensions": (
        lambda file: file["speed"].attrs.create("DIMENSION_LIST", 7),
        "is no file",
    ),
}


@pytest.mark.long
@pytest.mark.parametrize("with_seal", [True, False])
@pytest.mark.parametrize("forged", ATTRIBUTES)
def test_forged_attributes_are_refused(forged, with_seal, tmp_path):
    """100,000 of them, under a seal that fits, took a minute."""
    make, words = ATTRIBUTES[forged]
    path = tmp_path / "a.nc"
    with h5py.File(path, "w", libver="latest") as file:
        file.create_dataset("speed", data=np.arange(3.0)).make_scale("speed")
        make(file)
    if with_seal:
        path.write_bytes(path.read_bytes() + seal(path.read_bytes()))
    with pytest.raises(InputError, match=words) as caught:
        read_sealed(path, "file", "mend")
    assert str(caught.value).isprintable()


@pytest.mark.parametrize("with_seal", [True, False])
def test_attributes_of_other_kinds_are_passed_over(with_seal, tmp_path):
    path = tmp_path / "a.nc"
    with h5py.File(path, "w") as file:
        speed = file.create_dataset("speed", data=np.arange(3.0))
        speed.make_scale("speed")
        speed.attrs["empty"] = h5py.Empty("f8")
        speed.attrs["long"] = np.zeros(8000)
        speed.attrs["opaque"] = np.void(bytes(10))
        speed.attrs.create("pair", np.zeros(2, [("a", "f8"), ("b", "i4")]))
        ragged = np.array([np.arange(3), np.arange(2)], dtype=object)
        speed.attrs.create("ragged", ragged, dtype=h5py.vlen_dtype("i4"))
    if with_seal:
        path.write_bytes(path.read_bytes() + seal(path.read_bytes()))
    assert read_sealed(path, "file", "mend")[0]["speed"].values.tolist() == [0.0, 1.0, 2.0]
