"""Files of rule tables: what is written comes back; what is edited by hand is read and marked."""

import json
from dataclasses import replace

import numpy as np
import pytest
import xarray as xr
from rule_tables import TRAINING, arrays, edited, hand_made, written

from hybridopt.base.cautions import TABLES_CAUTION
from hybridopt.base.errors import FailedError, InputError
from hybridopt.controllers.maps import Map
from hybridopt.tables.files import read_rule_set
from hybridopt.tables.rule_form import RULES
from hybridopt.tables.rule_table import FACTORS, LAYOUT

FORMATS = ("json", "netcdf", "csv")
TITLES = ("plain", '=1+1, "x"; =2', "a */ b ??/ <c> & ü 漢", "-1", "# cycles: []", "")


def random_set(seed):
    """Return rule tables of random values over many decades, with single-entry axes as well."""
    random = np.random.default_rng(seed)
    made = hand_made(f"random {seed}")
    maps = {}
    for name, keys in LAYOUT.items():
        axes = []
        for key in keys[:-1]:
            most = {"gear": 9.0, "engine_on": 1.0, "soc_percent": 100.0}.get(key, 900.0)
            axis = np.sort(random.uniform(1.0 if most > 1.0 else 0.0, most, random.integers(1, 5)))
            axes.append(axis * FACTORS[key])
        shape = tuple(axis.size for axis in axes)
        scale = 10.0 ** random.uniform(-12.0, 5.0, shape)
        maps[name] = Map(tuple(axes), scale * random.standard_normal(shape))
    return replace(
        made, table=replace(made.table, min_on=random.uniform(0, 9), **maps), coverage={}
    )


@pytest.mark.long
@pytest.mark.parametrize("kind", FORMATS)
@pytest.mark.parametrize("seed", [None, *range(20)])
def test_round_trip(tmp_path, kind, seed):
    """JSON and NetCDF give the same bits back; CSV 12 digits, so half a unit of the 12th."""
    before = hand_made() if seed is None else random_set(seed)
    after = read_rule_set(written(before, tmp_path, kind))
    assert after.origin == before.origin and not after.origin.edited
    mine, theirs = arrays(before), arrays(after)
    assert list(mine) == list(theirs)
    for name, array in mine.items():
        assert theirs[name].shape == array.shape and theirs[name].dtype == array.dtype, name
        if kind == "csv" and array.dtype == float:
            room = 0.51 * 10.0 ** (1 - RULES.digits)
            assert (abs(theirs[name] - array) <= room * abs(array)).all(), name
        else:
            assert (theirs[name] == array).all(), name


@pytest.mark.long
@pytest.mark.parametrize("kind", FORMATS)
@pytest.mark.parametrize("title", TITLES)
def test_any_title_comes_back(tmp_path, kind, title):
    before = hand_made(title)
    assert read_rule_set(written(before, tmp_path, kind)).origin == before.origin


@pytest.mark.parametrize("kind", FORMATS)
def test_a_title_of_control_characters_becomes_one_line(tmp_path, kind):
    path = written(hand_made("a\nb\t\0c\u202ed" + "x" * 600), tmp_path, kind)
    title = read_rule_set(path).origin.title
    assert title == ("a b  c d" + "x" * 600)[:500]


@pytest.mark.parametrize("kind", FORMATS)
def test_a_round_through_all_formats_stays_unedited(tmp_path, rule_set, kind):
    """CSV rounds, which is no edit; from then on nothing changes any more."""
    first = read_rule_set(written(rule_set, tmp_path, "csv"))
    second = read_rule_set(written(first, tmp_path, kind, overwrite=True))
    assert not second.origin.edited
    assert all(
        np.allclose(a, b, rtol=1e-15, atol=0.0)
        for a, b in zip(arrays(first).values(), arrays(second).values(), strict=True)
    )


def test_every_file_carries_names_units_hash_and_caution(tmp_path, rule_set):
    """The words of the file are looked for, not what the reader makes of them."""
    dataset = xr.open_dataset(written(rule_set, tmp_path, "netcdf"), engine="h5netcdf")
    assert dataset.attrs["caution"] == TABLES_CAUTION and dataset.attrs["training"] == TRAINING
    for name in ("engine_start", "engine_start_speed", "motor_torque", "idle_speed"):
        assert {"units", "long_name"} <= set(dataset[name].attrs)
    assert dataset["engine_start"].attrs["units"] == "W"
    assert dataset["engine_start"].dims == ("engine_start_speed", "engine_start_soc")
    record = json.loads(written(rule_set, tmp_path, "json").read_text())
    assert record["caution"] == TABLES_CAUTION and record["training"] == TRAINING
    assert record["tables"]["shift_up"]["unit"] == "m/s"
    assert [axis["unit"] for axis in record["tables"]["shift_up"]["axes"]] == ["1", "N m", "1"]
    files = list(written(rule_set, tmp_path, "csv").iterdir())
    assert len(files) == 9
    for file in files:
        assert TABLES_CAUTION in file.read_text() and TRAINING in file.read_text(), file


def test_a_spreadsheet_sees_no_formula(tmp_path):
    folder = written(hand_made('=1+1;=2, "=3'), tmp_path, "csv")
    for file in folder.iterdir():
        for line in file.read_text().splitlines():
            if "=" in line.replace("hash", ""):
                assert line.startswith('"# ') and line.endswith('"')


# --- edited by hand ---


def test_an_edited_cell_is_read_and_marked(tmp_path, rule_set):
    """9.009 kW at 0 km/h and 50 % becomes 12 kW; 12 kW stand as 12000 W in the tables."""
    folder = written(rule_set, tmp_path, "csv")
    edited(folder / "engine_start.csv", "0,4.004,9.009,", "0,4.004,12,")
    after = read_rule_set(folder)
    assert after.origin == replace(rule_set.origin, edited=True)
    assert after.table.engine_start.values[0, 1] == 12e3
    again = read_rule_set(written(after, tmp_path, "json"))
    assert again.origin.edited, "the mark stays"
    assert read_rule_set(written(again, tmp_path, "netcdf")).origin.edited


def test_a_spreadsheet_may_write_it_in_its_own_way(tmp_path, rule_set):
    """Trailing commas, other quotes, CRLF, a byte-order mark and more zeros change nothing."""
    folder = written(rule_set, tmp_path, "csv")
    for file in folder.iterdir():
        lines = []
        for line in file.read_text().splitlines():
            cells = "," * 3 if not line.startswith('"#') or "caution" not in line else ",,"
            lines.append(line.replace("20.02", "20.0200") + cells)
        file.write_bytes(b"\xef\xbb\xbf" + "\r\n".join(lines).encode() + b"\r\n,,,\r\n")
    after = read_rule_set(folder)
    assert after.origin == rule_set.origin


def test_rows_columns_and_blocks_may_be_added(tmp_path, rule_set):
    folder = written(replace(rule_set, coverage={}), tmp_path, "csv")
    edited(folder / "engine_stop.csv", "100,", "75,1,2,3\n100,")
    block = (folder / "motor_torque.csv").read_text().partition("soc_percent,60\n")[2]
    with (folder / "motor_torque.csv").open("a") as file:
        file.write("soc_percent,70\n" + block)
    edited(folder / "electric_limit.csv", "5000,", "3000,90\n4000,80\n5000,")
    after = read_rule_set(folder)
    assert after.table.engine_stop.values.shape == (4, 3)
    assert list(after.table.engine_stop.values[2]) == [1e3, 2e3, 3e3]
    assert after.table.electric_limit.values.shape == (5,)
    torque = after.table.motor_torque.values
    assert torque.shape == (3, 4, 4) and (torque[..., 3] == torque[..., 2]).all()


def test_json_may_be_edited_in_units_of_the_trade(tmp_path, rule_set):
    path = written(rule_set, tmp_path, "json")
    record = json.loads(path.read_text())
    record["tables"]["engine_start"]["unit"] = "kW"
    record["tables"]["engine_start"]["values"] = [[4, 9, 20], [3, 8, 15], [1, 2, 3]]
    record["tables"]["engine_start"]["axes"][0] |= {"unit": "km/h", "values": [0, 36, 90]}
    record["constants"]["idle_speed"] = {"unit": "rpm", "values": [900]}
    path.write_text(json.dumps(record))
    after = read_rule_set(path)
    assert after.origin.edited and after.table.engine_start.values[2, 0] == 1e3
    assert after.table.engine_start.axes[0] == pytest.approx([0.0, 10.0, 25.0])
    assert after.gearbox.idle_speed == pytest.approx(30.0 * np.pi)


def test_another_constant_is_an_edit(tmp_path, rule_set):
    folder = written(rule_set, tmp_path, "csv")
    edited(folder / "constants.csv", "min_on,s,2", "min_on,s,2.5")
    after = read_rule_set(folder)
    assert after.origin.edited and after.table.min_on == 2.5


@pytest.mark.long
@pytest.mark.parametrize("kind", FORMATS)
def test_existing_files_stay(tmp_path, rule_set, kind):
    path = written(rule_set, tmp_path, kind)
    before = {p: p.read_bytes() for p in tmp_path.rglob("*") if p.is_file()}
    with pytest.raises(InputError, match="exists already"):
        written(hand_made("other"), tmp_path, kind)
    assert before == {p: p.read_bytes() for p in tmp_path.rglob("*") if p.is_file()}
    written(hand_made("other"), tmp_path, kind, overwrite=True)
    assert read_rule_set(path).origin.title == "other"


@pytest.mark.parametrize("kind", FORMATS)
def test_a_value_that_could_not_be_read_back_is_not_written(tmp_path, rule_set, kind):
    values = rule_set.table.engine_start.values.copy()
    values[0, 0] = np.inf
    broken = Map(rule_set.table.engine_start.axes, values)
    bad = replace(rule_set, table=replace(rule_set.table, engine_start=broken))
    with pytest.raises(InputError, match="engine_start: power: is inf"):
        written(bad, tmp_path, kind)
    assert not [path for path in tmp_path.rglob("*") if path.is_file()]


def test_a_folder_that_refuses_is_one_sentence(tmp_path, rule_set, monkeypatch):
    import os

    def refuse(*_):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "fsync", refuse)
    with pytest.raises(FailedError, match="No space left"):
        written(rule_set, tmp_path, "json")
    assert list(tmp_path.iterdir()) == []
