"""Files of the predictive controller: the same bits come back; what is wrong is refused."""

import json
from dataclasses import fields, replace

import numpy as np
import pytest
import xarray as xr
from makers import plain_driveline
from preview_tables import hand_made_preview
from rule_tables import edited, hand_made, written

from hybridopt import Settings
from hybridopt.base.cautions import TABLES_CAUTION
from hybridopt.base.errors import InputError
from hybridopt.base.warning import InputWarning
from hybridopt.controllers import preview_kernels as kernels
from hybridopt.controllers.builtin import BuiltIn
from hybridopt.controllers.maps import Map
from hybridopt.controllers.preview import Preview, PreviewMaps
from hybridopt.evaluation.sources import is_table_file, read_controller
from hybridopt.tables.files import read_preview, read_rule_set, read_tables
from hybridopt.tables.preview_form import CONSTANTS, DRIVELINE, GIVEN, LAYOUT, PARAMETERS
from hybridopt.tables.preview_set import LIMITS

FORMATS = ("json", "netcdf", "csv")


def assert_same(one, other):
    """Compare two sets bit by bit."""
    assert other.origin == one.origin and other.terms == one.terms
    assert other.heating_value == one.heating_value
    for name in PARAMETERS:
        assert getattr(other.preview, name) == getattr(one.preview, name), name
    mine, theirs = one.preview.maps, other.preview.maps
    for name in PreviewMaps.LAYOUT:
        a, b = getattr(mine, name), getattr(theirs, name)
        assert all(map(np.array_equal, a.axes, b.axes)) and len(a.axes) == len(b.axes), name
        assert np.array_equal(a.values, b.values) and a.values.shape == b.values.shape, name
    for name in ("factor", "training"):
        assert getattr(mine, name) == getattr(theirs, name)
    for name in LIMITS:
        a, b = one.limits[name], other.limits[name]
        assert np.array_equal(a.axes[0], b.axes[0]) and np.array_equal(a.values, b.values)
    for name in ("shift_fuel", "ratio", "efficiency", "gear_drag", "constants"):
        assert np.array_equal(getattr(mine, name), getattr(theirs, name)), name
    assert vars(mine.vehicle) == vars(theirs.vehicle)


@pytest.mark.long
@pytest.mark.parametrize("kind", FORMATS)
@pytest.mark.parametrize("seed", [1, 2, 3])
def test_round_trip(tmp_path, kind, seed):
    """All three formats give the same bits back, values over many decades among them."""
    before = hand_made_preview(seed=seed, factor=2.0 / 3.0, soc_reference=np.pi / 6.0)
    random = np.random.default_rng(seed)
    cost = before.known.start_cost
    wide = cost.values * 10.0 ** random.uniform(-12.0, 5.0, cost.values.shape)
    known = replace(before.known, start_cost=Map(cost.axes, wide))
    before = replace(before, preview=replace(before.preview, maps=known))
    after = read_tables(written(before, tmp_path, kind))
    assert not after.origin.edited
    assert_same(before, after)


@pytest.mark.long
def test_a_round_through_all_formats_changes_no_bit(tmp_path):
    before = found = hand_made_preview()
    for kind in (*FORMATS, *FORMATS):
        found = read_preview(written(found, tmp_path, kind, overwrite=True))
    assert_same(before, found)


def test_what_is_read_packs_to_the_same_numbers(tmp_path):
    """The kernels get the same parameters and maps."""
    before, driveline = hand_made_preview(), plain_driveline()
    after = read_preview(written(before, tmp_path, "csv"))
    settings = Settings().resolved(driveline)
    for mine, theirs in zip(
        before.controller._own(driveline, settings),
        after.controller._own(driveline, settings),
        strict=True,
    ):
        assert np.array_equal(mine, theirs)
    for mine, theirs in zip(before.known.packed(), after.known.packed(), strict=True):
        assert np.array_equal(mine, theirs)


def test_everything_of_the_controller_is_in_the_file():
    """A parameter or constant that is added has to get a place, or to be named here."""
    elsewhere = {"maps", "predict", "gears", "schedule"}
    elsewhere |= {f.name for f in fields(BuiltIn) if f.name.startswith("line_")}
    assert {f.name for f in fields(Preview)} - elsewhere == set(PARAMETERS)
    places = [place for place, *_ in DRIVELINE.values()]
    assert sorted([*places, *GIVEN]) == list(range(kernels.CONSTANTS))
    assert not set(LAYOUT) & set(CONSTANTS), "NetCDF has one name for one thing"
    assert set(LAYOUT) - {"shift_fuel", *LIMITS} == set(PreviewMaps.LAYOUT)


def test_what_is_left_to_settings_is_taken_from_them():
    settings = Settings(
        min_on_time=4.0, stop_speed_max=25.0, skip_shifts="up", soc_start=0.45, start_cost=0.1
    )
    found = hand_made_preview(settings=settings)
    assert found.preview.min_on == 4.0 and found.preview.min_off == 3.0
    assert found.preview.soc_reference == 0.45
    heat = plain_driveline().fuel.heating_value
    assert found.preview.factor == pytest.approx(7e-5 * heat, rel=1e-15)
    assert found.terms.stop_speed == 25.0 and found.terms.start_charge == 0.1
    assert (found.terms.skip_up, found.terms.skip_down) == (1.0, 0.0)


def test_every_file_carries_units_hash_and_caution(tmp_path):
    made = hand_made_preview()
    dataset = xr.open_dataset(written(made, tmp_path, "netcdf"), engine="h5netcdf")
    assert dataset.attrs["caution"] == TABLES_CAUTION
    assert dataset["running_cost"].attrs["units"] == "g/s"
    assert dataset["expected"].dims[-2:] == ("expected_engine_on", "expected_gear")
    record = json.loads(written(made, tmp_path, "json").read_text())
    assert record["kind"] == "hybridopt preview maps" and record["caution"] == TABLES_CAUTION
    assert record["constants"]["mass"] == {
        "meaning": "of the vehicle",
        "unit": "kg",
        "values": [1510.0],
    }
    for file in written(made, tmp_path, "csv").iterdir():
        text = file.read_text()
        assert TABLES_CAUTION in text and made.origin.training in text, file


def test_an_edited_cell_is_read_and_marked(tmp_path):
    folder = written(hand_made_preview(), tmp_path, "csv")
    edited(folder / "off_limit.csv", "150,140", "150,139")
    after = read_preview(folder)
    assert after.origin.edited and after.known.off_limit.values[1] == 139.0


@pytest.mark.parametrize(
    ("file", "old", "new", "words"),
    [
        (
            "off_limit",
            "150,140",
            "150,x",
            "off_limit.csv: row 11, column B: is 'x'; write a number",
        ),
        ("expected", "engine_on,1,gear,2", "engine_on,1,gear,3", "blocks are not one per point"),
        ("expected", "engine_on,1,gear,2", "engine_on,1", "is blank; here stands gear, then its"),
        ("expected", "engine_on,1,gear,2", "engine_on,1,state,2", "column C: is 'state'; here"),
        (
            "constants",
            "horizon,s,6",
            "horizon,s,6000",
            "is 6000; allowed is a number from 0 to 600",
        ),
        ("constants", "step,s,1", "step,s,0.001", "allowed are at most 600 steps"),
        ("constants", "mass,kg,1510", "mass,t,1.51", "is 't'; the unit must be kg"),
        ("constants", "kind: hybridopt preview maps", "kind: x", "is no file of rule tables or"),
    ],
)
def test_bad_csv_is_one_sentence(tmp_path, file, old, new, words):
    folder = written(hand_made_preview(), tmp_path, "csv")
    edited(folder / f"{file}.csv", old, new)
    with pytest.raises(InputError) as caught:
        read_tables(folder)
    assert words in str(caught.value) and "\n" not in str(caught.value)


@pytest.mark.parametrize(
    ("keys", "value", "words"),
    [
        (
            ("tables", "motor_power", "values", 1, 2),
            "abc",
            "entry 2: entry 3: is 'abc'; write a num",
        ),
        (("tables", "motor_power", "values", 1, 2), float("inf"), "too large a number"),
        (("tables", "expected", "axes", 3, "values"), [1, 2, 4], "gear has 3 points from 1 to 4"),
        (("tables", "start_cost", "axes", 0, "values"), [84, 200, 300, 520], "not that of running"),
        (("tables", "shift_fuel"), None, "tables: shift_fuel is missing"),
        (("constants", "mass", "values"), [0], "is 0; allowed is a number from 1 to 1e+06 kg"),
        (("constants", "mass"), None, "constants: mass is missing"),
        (("kind",), "hybridopt rule tables", "engine_start is missing"),
    ],
)
def test_bad_json_is_one_sentence(tmp_path, keys, value, words):
    path = written(hand_made_preview(), tmp_path, "json")
    record = json.loads(path.read_text())
    held = record
    for key in keys[:-1]:
        held = held[key]
    if value is None:
        del held[keys[-1]]
    else:
        held[keys[-1]] = value
    path.write_text(json.dumps(record))
    with pytest.raises(InputError) as caught:
        read_tables(path)
    assert str(caught.value).startswith(str(path)) and words in str(caught.value)


@pytest.mark.long
def test_a_netcdf_written_again_is_used_and_named(tmp_path):
    path = written(hand_made_preview(), tmp_path, "netcdf")
    with xr.open_dataset(path, engine="h5netcdf") as file:
        dataset = file.load()
    with xr.set_options(keep_attrs=True):
        dataset["off_limit"] = dataset["off_limit"] * 0.5
    dataset.to_netcdf(path, engine="h5netcdf")
    with pytest.warns(InputWarning, match="was changed since it was written"):
        assert read_preview(path).origin.edited


@pytest.mark.long
@pytest.mark.parametrize("kind", FORMATS)
def test_the_format_says_what_it_holds(tmp_path, kind):
    path = written(hand_made_preview(), tmp_path, kind)
    assert is_table_file(str(path)) and isinstance(read_controller(str(path)), Preview)
    with pytest.raises(InputError, match="holds preview maps; give rule tables"):
        read_rule_set(path)
    with pytest.raises(InputError, match="holds rule tables; give preview maps"):
        read_preview(written(hand_made(), tmp_path, kind, overwrite=True))


@pytest.mark.parametrize("kind", FORMATS)
def test_a_value_that_could_not_be_read_back_is_not_written(tmp_path, kind):
    made = hand_made_preview()
    limit = made.known.off_limit
    known = replace(made.known, off_limit=Map(limit.axes, limit.values * np.nan))
    with pytest.raises(InputError, match="off_limit: torque: is nan"):
        written(replace(made, preview=replace(made.preview, maps=known)), tmp_path, kind)
    assert not [path for path in tmp_path.rglob("*") if path.is_file()]


@pytest.mark.parametrize("kind", ["json", "csv"])
def test_any_damage_is_one_sentence_or_an_edit(tmp_path, kind):
    """Random cuts and strange pieces: read and marked as edited, or refused in one sentence."""
    made, random = hand_made_preview(), np.random.default_rng(12)
    path = written(made, tmp_path, kind)
    files = sorted(path.iterdir()) if kind == "csv" else [path]
    pieces = ("", "nan", "1e999", "-", ",", '"', "\n", "[", "{}", "null", "9" * 5000, "#", "7")
    before = made.form.digest(made.constants, made.maps)
    outcomes = {"edited": 0, "same": 0, "refused": 0}
    for _ in range(100):
        file = files[random.integers(len(files))]
        text = file.read_text()
        begin = int(random.integers(len(text)))
        end = begin + int(random.integers(0, random.choice([2, 30])))
        file.write_text(text[:begin] + pieces[random.integers(len(pieces))] + text[end:])
        try:
            after = read_preview(path)
            same = made.form.digest(after.constants, after.maps) == before
            outcomes["same" if same else "edited"] += 1
            assert same or after.origin.edited
        except InputError as error:
            outcomes["refused"] += 1
            assert "\n" not in str(error) and len(str(error)) < 600, error
        file.write_text(text)
    assert outcomes["refused"] > 20 and outcomes["edited"] > 0, outcomes
