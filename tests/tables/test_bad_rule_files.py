"""Files of rule tables that are wrong: each refusal is one sentence with file, place and value."""

import json
from dataclasses import replace

import numpy as np
import pytest
import xarray as xr
from rule_tables import arrays, edited, written

from hybridopt.base.errors import InputError
from hybridopt.base.warning import InputWarning
from hybridopt.tables.files import read_rule_set


@pytest.mark.parametrize(
    ("file", "old", "new", "words"),
    [
        ("engine_start", "3.003", "abc", "engine_start.csv: row 11, column B: is 'abc'; write a"),
        ("engine_start", "3.003", "", "row 11, column B: is blank; write a number"),
        ("engine_start", "3.003", "nan", "row 11, column B: is nan; allowed is a number from"),
        ("engine_start", "3.003", "1e12", "row 11, column B: is 1e+12; allowed is a number"),
        ("engine_start", "3.003", "3,003", "row 11: has 5 cells, the head of its block 4"),
        ("engine_start", "3.003", "3_003", "is '3_003'"),
        ("engine_start", "0,4.004,9.009,20.02\n", "", None),
        ("engine_start", ",20.02", "", "row 10: has 3 cells, the head of its block 4"),
        ("engine_start", "50,3", "200,3", "row 12, column A: is 100 after 200; an axis must"),
        ("engine_start", "40,50,60", "40,40,60", "row 9, column C: is 40 after 40"),
        ("engine_start", "40,50,60", "40,50,160", "is 160; allowed is a number from 0 to 100 %"),
        ("engine_start", "speed_km_per_h \\", "speed_mph \\", "give the head"),
        ("engine_start", "table: engine_start", "table: engine_stop", "the table 'engine_stop'"),
        ("motor_torque", "soc_percent,50", "soc_percent,40", "is 40 after 40"),
        ("motor_torque", "soc_percent,40", "soc,40", "each block begins with a row of soc_percent"),
        ("motor_torque", "\n400,", "\n500,", "has other axes than the first"),
        ("constants", "min_on,s,2\n", "", "the row min_on is missing"),
        ("constants", "min_on,s,2", "min_on,ms,2", "row 12, column B: is 'ms'; the unit must be s"),
        ("constants", "ratios,1,12,6,3", "ratios,1,12,6", "efficiencies has 3 values; give 2"),
        ("constants", "0.95,", "1.95,", "is 1.95; allowed is a number from 0.01 to 1"),
        ("constants", "rpm,800", "rpm,8000", "highest_speed is not above idle_speed"),
        ("constants", "kind: hybridopt rule tables", "kind: x", "is no file of rule tables"),
        ("constants", "training: 77", "training: zz", "64 hexadecimal digits"),
        ("engine_start_coverage", "0,40,", "0,x,", None),
        ("engine_start_coverage", "visits_s", "visits", "column visits_s is missing"),
    ],
)
def test_bad_csv_is_one_sentence(tmp_path, rule_set, file, old, new, words):
    folder = written(rule_set, tmp_path, "csv")
    edited(folder / f"{file}.csv", old, new)
    if words is None and file == "engine_start":
        words = "has 9 rows, the table 6 values; take engine_start out of the line"
    if words is None:
        assert read_rule_set(folder).coverage, "axes beside the coverage are for the eye only"
        return
    with pytest.raises(InputError) as caught:
        read_rule_set(folder)
    assert words in str(caught.value) and "\n" not in str(caught.value)


def test_semicolons_and_missing_files_of_csv(tmp_path, rule_set):
    folder = written(rule_set, tmp_path, "csv")
    good = (folder / "shift_up.csv").read_text()
    (folder / "shift_up.csv").write_text(good.replace(",", ";"))
    with pytest.raises(InputError, match="parted by semicolons; save it with commas"):
        read_rule_set(folder)
    (folder / "shift_up.csv").write_text("# nothing\n")
    with pytest.raises(InputError, match="holds no values"):
        read_rule_set(folder)
    (folder / "shift_up.csv").unlink()
    with pytest.raises(InputError, match="the file shift_up.csv is missing"):
        read_rule_set(folder)


def set_in(record, keys, value):
    for key in keys[:-1]:
        record = record[key]
    if value is None:
        del record[keys[-1]]
    else:
        record[keys[-1]] = value


@pytest.mark.parametrize(
    ("keys", "value", "words"),
    [
        (
            ("tables", "engine_start", "values", 1, 2),
            float("nan"),
            "tables: engine_start: values: entry 2: entry 3: is nan; allowed is a number",
        ),
        (("tables", "engine_start", "values", 1, 2), "abc", "entry 3: is 'abc'; write a number"),
        (("tables", "engine_start", "values", 1, 2), True, "entry 3: is True; write a number"),
        (("tables", "engine_start", "values", 1, 2), 10**400, "is too large a number"),
        (("tables", "engine_start", "values", 1), [1, 2], "entry 2: has 2 entries; give 3"),
        (("tables", "engine_start", "values"), [[1, 2, 3]], "values: has 1 entries; give 3"),
        (("tables", "engine_start", "values"), 3, "values: is 3; write a list"),
        (
            ("tables", "engine_start", "axes", 0, "values"),
            [0, 5, 5],
            "axes: entry 1: values: entry 3: is 5 after 5; an axis must increase",
        ),
        (("tables", "engine_start", "axes", 0, "name"), "soc", "here stands the axis 'speed'"),
        (("tables", "engine_start", "axes", 0, "unit"), "mph", "unit is 'mph'; allowed is m/s or"),
        (
            ("tables", "engine_start", "axes", 1, "values"),
            [40, 50, 60],
            "is 40; allowed is a number from 0 to 1",
        ),
        (("tables", "engine_start", "axes"), [], "write a list"),
        (("tables", "shift_down"), None, "tables: shift_down is missing"),
        (("tables",), [], "is []; write an object"),
        (("constants", "min_on"), None, "constants: min_on is missing"),
        (("constants", "min_on", "values"), [1, 2], "min_on has 2 values; give 1"),
        (("constants", "min_on", "values"), [-1], "is -1; allowed is a number from 0 to 1000 s"),
        (("cycles",), "x", "cycles is 'x'; write a list"),
        (("title",), "a\nb", "write one line of text"),
        (("title",), None, "title is None"),
        (("kind",), "x", "is no file of rule tables"),
        (("tables", "engine_start", "coverage", "visits_s"), [[1]], "give 3"),
    ],
)
def test_bad_json_is_one_sentence(tmp_path, rule_set, keys, value, words):
    path = written(rule_set, tmp_path, "json")
    record = json.loads(path.read_text())
    set_in(record, keys, value)
    path.write_text(json.dumps(record))
    with pytest.raises(InputError) as caught:
        read_rule_set(path)
    assert str(caught.value).startswith(str(path)) and words in str(caught.value)


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("", "line 1, column 1: is no valid JSON"),
        ("[" * 100_000, "nested too deeply"),
        ("1" * 10_000, "a number is too long"),
        ('{"kind": 1, "kind": 2}', "'kind' is there twice"),
        ("[]", "is []; write an object"),
        ("\0", "zero bytes"),
    ],
)
def test_what_is_no_json_is_refused(tmp_path, text, words):
    path = tmp_path / "rules.json"
    path.write_text(text)
    with pytest.raises(InputError) as caught:
        read_rule_set(path)
    assert words in str(caught.value)


@pytest.mark.long
def test_a_damaged_netcdf_is_refused(tmp_path, rule_set):
    path = written(rule_set, tmp_path, "netcdf")
    content = bytearray(path.read_bytes())
    content[8:40] = bytes(32)  # the superblock of HDF5, without which nothing is found
    path.write_bytes(content)
    with pytest.raises(InputError, match="its seal does not fit.*export again"):
        read_rule_set(path)


@pytest.mark.long
def test_a_netcdf_written_again_is_used_and_named(tmp_path, rule_set):
    path = written(rule_set, tmp_path, "netcdf")
    with xr.open_dataset(path, engine="h5netcdf") as file:
        dataset = file.load()
    for factor, by_hand in ((1.0, False), (1.5, True)):
        with xr.set_options(keep_attrs=True):
            dataset["electric_limit"] = dataset["electric_limit"] * factor
        dataset.to_netcdf(path, engine="h5netcdf")
        with pytest.warns(InputWarning, match="was changed since it was written"):
            again = read_rule_set(path)
        assert again.origin.edited == by_hand
        np.testing.assert_array_equal(
            again.maps["electric_limit"].values, factor * rule_set.maps["electric_limit"].values
        )


@pytest.mark.parametrize("name", ["none.json", "none.nc", "none", "rules.toml"])
def test_a_missing_file_is_refused(tmp_path, name):
    with pytest.raises(InputError, match=name):
        read_rule_set(tmp_path / name)


PIECES = (
    "",
    "nan",
    "1e999",
    "-",
    ",",
    '"',
    "\n",
    "[",
    "{}",
    "null",
    "\u202e",
    "9" * 5000,
    "#",
    ";",
    *"0123456789",
)


def values(rule_set):
    """Return the values that an edit is known by."""
    return {name: array.tolist() for name, array in arrays(replace(rule_set, coverage={})).items()}


@pytest.mark.long
@pytest.mark.parametrize("kind", ["json", "csv"])
def test_any_damage_is_one_sentence_or_an_edit(tmp_path, rule_set, kind):
    """Random cuts, doublings and strange pieces: read and marked as edited, or refused."""
    path, random = written(rule_set, tmp_path, kind), np.random.default_rng(11)
    files = sorted(path.iterdir()) if kind == "csv" else [path]
    before = values(read_rule_set(path))
    outcomes = {"edited": 0, "same": 0, "refused": 0}
    for _ in range(400):
        file = files[random.integers(len(files))]
        text = file.read_text()
        begin = int(random.integers(random.choice([0, len(text) // 2]), len(text)))
        end = begin + int(random.integers(0, random.choice([2, 30])))
        file.write_text(text[:begin] + PIECES[random.integers(len(PIECES))] + text[end:])
        try:
            after = read_rule_set(path)
            same = values(after) == before
            outcomes["same" if same else "edited"] += 1
            assert same or after.origin.edited
        except InputError as error:
            outcomes["refused"] += 1
            assert "\n" not in str(error) and len(str(error)) < 600, error
        file.write_text(text)
    assert min(outcomes.values()) > 5, outcomes
