"""NetCDF files with and without a fitting seal: used, or refused in one sentence, never a hang."""

import random
import warnings

import h5netcdf
import numpy as np
import pytest
import xarray as xr
from case_counts import cases

from hybridopt.base.errors import InputError
from hybridopt.files import sealed_netcdf
from hybridopt.files.sealed_netcdf import read_sealed, sealed
from hybridopt.optimum.result import Result


@pytest.fixture
def mixed():
    """A dataset with all kinds of variables and attrs that NetCDF-4 holds."""
    variables = {
        "a": ("x", np.array([1.0, np.nan, 3.0]), {"units": "m", "flag_values": np.int8([1, 2])}),
        "b": (("x", "y"), np.arange(6, dtype=np.int8).reshape(3, 2)),
        "c": ("y", np.array(["left", "ri"], dtype=object)),
        "d": ((), 2.5),
        "e": ("y", np.array([True, False])),
    }
    return xr.Dataset(variables, {"x": [0.0, 1.0, 2.0]}, {"text": "grün", "n": 3, "list": [1.5, 2]})


@pytest.mark.long
def test_other_writers_lose_nothing(mixed, tmp_path):
    path = tmp_path / "a.nc"
    path.write_bytes(sealed(mixed))
    first, notice = read_sealed(path, "file", "mend")
    assert notice == ""
    mixed.to_netcdf(path, engine="h5netcdf")
    again, notice = read_sealed(path, "file", "mend")
    assert again.identical(first) and again.identical(mixed)
    assert {n: v.dtype for n, v in again.variables.items()} == {
        n: v.dtype for n, v in first.variables.items()
    }
    assert (
        notice == f"{path}: was changed since it was written (it has no seal); its values are"
        " taken as is"
    )


def test_a_changed_value_is_told(mixed, tmp_path):
    path = tmp_path / "a.nc"
    content = bytearray(sealed(mixed))
    place = bytes(content).index(np.array([1.0, np.nan, 3.0]).tobytes())
    content[place : place + 8] = np.float64(2.0).tobytes()
    path.write_bytes(content)
    found, notice = read_sealed(path, "file", "mend")
    assert found["a"][0] == 2.0
    assert "(its seal does not fit)" in notice


def test_what_is_no_hdf5_starts_no_process(tmp_path, monkeypatch):
    monkeypatch.setattr(sealed_netcdf, "CHILD", tmp_path / "none.py")
    path = tmp_path / "a.nc"
    for content in (b"", b"hello", b"CDF\x01"):
        path.write_bytes(content)
        with pytest.raises(InputError, match="is no file, or not as it was written .it has no se"):
            read_sealed(path, "file", "mend")


def test_a_bomb_is_refused_before_it_unpacks(tmp_path):
    path = tmp_path / "a.nc"
    with h5netcdf.File(path, "w") as file:
        file.dimensions = {"time": 10**10}
        file.create_variable("speed", ("time",), "f8", chunks=(10**6,), compression="gzip")
    with pytest.raises(InputError, match="would unpack to 80 GB; at most 1 GB is read"):
        read_sealed(path, "file", "mend")


CHILDREN = {
    "hang": ("import time; time.sleep(60)", "reading took more than 1 s"),
    "crash": ("import os; os.kill(os.getpid(), 11)", "the reading process ended by signal 11"),
    "failure": ("raise SystemExit('OSError')", "OSError"),
}


@pytest.mark.parametrize("child", CHILDREN)
def test_a_child_that_fails_is_one_sentence(mixed, tmp_path, monkeypatch, child):
    code, reason = CHILDREN[child]
    script, path = tmp_path / "child.py", tmp_path / "a.nc"
    script.write_text(code)
    mixed.to_netcdf(path, engine="h5netcdf")
    monkeypatch.setattr(sealed_netcdf, "CHILD", script)
    monkeypatch.setattr(sealed_netcdf, "PATIENCE", 1)
    with pytest.raises(InputError, match=f"it has no seal; {reason}.; mend"):
        read_sealed(path, "file", "mend")


def damage(content, count):
    """Yield so many copies with a bit turned or the end cut off, the same in each run."""
    chance = random.Random(5)
    for number in range(count):
        wrong = bytearray(content)
        if number % 4:
            # the first bytes hold the structure, where damage is worst
            end = 4096 if number % 2 else len(wrong)
            wrong[chance.randrange(8, end)] ^= 1 << chance.randrange(8)
        else:
            del wrong[chance.randrange(8, len(wrong)) :]
        yield bytes(wrong)


@pytest.mark.long
@pytest.mark.usefixtures("forked")
@pytest.mark.parametrize("count", [12, pytest.param(cases(100), marks=pytest.mark.long)])
def test_a_damaged_result_is_used_or_refused(result, tmp_path, count):
    path = tmp_path / "a.nc"
    result.to_netcdf(path)
    used = 0
    for content in damage(path.read_bytes(), count):
        path.write_bytes(content)
        with warnings.catch_warnings(record=True) as caught:
            warnings.simplefilter("always")
            try:
                Result.read(path)
            except InputError as error:
                text = str(error)
                assert text.isprintable() and text.startswith(str(path)) and not caught
                continue
        assert [str(w.message).count("was changed since") for w in caught] == [1]
        used += 1
    assert 0 < used < count
