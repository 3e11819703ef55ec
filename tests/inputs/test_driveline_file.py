"""Drivelines from TOML files: bases, models, maps beside them, hashes, and refusals."""

import dataclasses
import math
import shutil

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from makers import constant_battery

from hybridopt.base.errors import InputError
from hybridopt.inputs import driveline as parts
from hybridopt.inputs.driveline_file import DEMO_FOLDER, driveline_names, read_driveline

RPM = 2 * math.pi / 60


@pytest.fixture
def write(tmp_path):
    """Return a function that writes a file and returns its path."""

    def write(text, name="car.toml"):
        path = tmp_path / name
        path.write_bytes(text if isinstance(text, bytes) else text.encode())
        return path

    return write


@pytest.fixture
def folder(tmp_path):
    """Return a copy of the shipped drivelines that may be changed."""
    return shutil.copytree(DEMO_FOLDER, tmp_path / "drivelines")


def refusal(path):
    with pytest.raises(InputError) as caught:
        read_driveline(path)
    text = str(caught.value)
    assert text.startswith(str(path)) and "\n" not in text
    return text


# --- what is read ---


@pytest.mark.parametrize("name", ["full", "mild", "micro"])
def test_shipped_drivelines_load(name):
    driveline = read_driveline(name)
    assert driveline.name == name and "invented" in driveline.title
    assert driveline.gearbox.gears == 8
    assert len(driveline.sha256) == 64


def test_shipped_names():
    assert {"full", "mild", "micro", "full_diesel"} <= set(driveline_names())


def test_values_are_si():
    """Values of full.toml, converted by hand."""
    full = read_driveline("full")
    assert full.engine.idle_speed == pytest.approx(850 / 60 * 2 * math.pi)
    assert full.battery.capacity == pytest.approx(6.4 * 3600)
    assert (full.battery.soc_min, full.battery.soc_max) == pytest.approx((0.4, 0.8))
    assert full.fuel.heating_value == pytest.approx(42_900)
    assert full.auxiliary.power == 400
    assert full.gearbox.ratios[0] == 4.86
    assert read_driveline("mild").clutches.fade_speed_high == pytest.approx(14 / 3.6)
    assert full.motor.loss_map.sel(torque=-190).values[0] == 2716.2
    assert full.engine.fuel_map.speed.values[0] == pytest.approx(800 * RPM)


def test_energy_of_the_battery():
    """Charge times voltage: 10 Ah at 250 V are 2.5 kWh; the demo's table is named 1700Wh."""
    assert constant_battery(250.0, capacity=36_000.0).energy == pytest.approx(2.5 * 3.6e6)
    assert read_driveline("full").battery.energy / 3600 == pytest.approx(1700, rel=0.02)


def test_base_gives_what_a_file_leaves_out(write):
    full = read_driveline("full")
    car = read_driveline(write('base = "full"\n[vehicle]\nmass_kg = 1234\n'))
    assert (car.vehicle.mass, car.name, car.title) == (1234, full.name, full.title)
    assert vars(car.vehicle) == vars(full.vehicle) | {"mass": 1234}
    for part in ("gearbox", "clutches", "start", "fuel", "auxiliary"):
        assert vars(getattr(car, part)) == vars(getattr(full, part))
    assert car.engine.fuel_map.identical(full.engine.fuel_map)


def test_bases_chain_and_the_last_file_wins(write):
    write(
        'base = "full"\nname = "one"\n[vehicle]\nmass_kg = 1000\nwheel_radius_m = 0.4\n', "a.toml"
    )
    car = read_driveline(write('base = "a.toml"\n[vehicle]\nmass_kg = 1100\n'))
    assert (car.name, car.vehicle.mass, car.vehicle.wheel_radius) == ("one", 1100, 0.4)


def test_maps_are_beside_the_file_that_names_them(folder, write):
    """The file's own map from its own folder, the base's maps from the base's."""
    write("speed_rpm,torque_Nm\n0,0.5\n6500,0.5\n", "drag.csv")
    text = f'base = "{folder}/full.toml"\n[motor]\ndrag_torque_csv = "drag.csv"\n'
    car = read_driveline(write(text))
    assert car.motor.drag_torque.values.tolist() == [0.5, 0.5]
    assert car.motor.loss_map.identical(read_driveline("full").motor.loss_map)


def test_name_is_the_stem_without_one(folder, write):
    text = (folder / "full.toml").read_text()
    (folder / "mine.toml").write_text(text.replace('name = "full"\n', ""))
    assert read_driveline(folder / "mine.toml").name == "mine"


def test_shipped_name_wins_over_a_file(write, monkeypatch):
    path = write('base = "full"\nname = "other"\n', "mild")
    monkeypatch.chdir(path.parent)
    assert read_driveline("mild").name == "mild"
    assert read_driveline("./mild").name == "other"


WILLANS = """
base = "full"
[engine]
model = "willans"
marginal_efficiency = 0.4
friction_torque_Nm = 18
max_torque_Nm = 210
max_power_kW = 90
[motor]
model = "polynomial"
loss_constant_W = 100
loss_W_per_rpm = 0.05
loss_W_per_Nm2 = 0.06
max_torque_Nm = 150
max_power_kW = 40
"""


def test_models_stand_in_for_maps(write):
    """Speeds and inertia still come from the base; fuel by hand at 200 N m and full speed."""
    car = read_driveline(write(WILLANS))
    assert car.engine.idle_speed == pytest.approx(850 * RPM)
    assert car.engine.inertia == 0.14 and car.motor.inertia == 0.055
    speed = 6200 * RPM
    fuel = car.engine.fuel_map.interp(speed=speed, torque=200.0).item()
    assert fuel == pytest.approx((200 + 18) * speed / (0.4 * 42_900))
    assert car.motor.peak_torque.values[0] == 150
    loss = car.motor.loss_map.sel(torque=0.0, method="nearest").values
    assert (loss[0], loss[-1]) == pytest.approx((100, 100 + 0.05 * 6500))  # at 0 and 6500 rpm


def test_maps_can_be_asked_for_by_name(write):
    text = 'base = "full"\n[engine]\nmodel = "maps"\n[motor]\nmodel = "maps"\n'
    car, full = read_driveline(write(text)), read_driveline("full")
    assert car.engine.fuel_map.identical(full.engine.fuel_map)
    assert car.motor.loss_map.identical(full.motor.loss_map)


# --- hashes ---


def test_hash_changes_with_every_file(folder):
    """The file, its base, and each map; not with where the files are."""
    assert read_driveline(folder / "mild.toml").sha256 == read_driveline("mild").sha256
    mild = folder / "mild.toml"
    mild.write_text(mild.read_text().replace('base = "full"', 'base = "full.toml"'))
    used = ["mild.toml", "full.toml", "motor_14kW_loss_map.csv", "petrol_1600_fuel_map.csv"]
    used += ["petrol_1600_overrun.csv", "battery_500Wh.csv", "motor_14kW_peak_torque.csv"]
    seen = {read_driveline(mild).sha256}
    for name in used:
        with (folder / name).open("a") as file:
            file.write("\n# changed\n")
        seen.add(read_driveline(mild).sha256)
    assert len(seen) == 1 + len(used)


def test_hash_is_that_of_the_content(folder):
    with (folder / "motor_4kW_loss_map.csv").open("a") as file:
        file.write("# not a map of this driveline\n")
    assert read_driveline(folder / "full.toml").sha256 == read_driveline("full").sha256


# --- refusals ---


@pytest.mark.parametrize("name", ["ful", "", "\0", "x" * 5000, "no/such.toml"])
def test_unknown_name_lists_the_shipped_ones(name):
    words = "is neither a file nor a demo driveline; demo drivelines: .*full, full_awd, full_diesel"
    with pytest.raises(InputError, match=words):
        read_driveline(name)


def test_folder_is_refused(tmp_path):
    with pytest.raises(InputError, match="is neither a file nor a demo driveline"):
        read_driveline(tmp_path)


@pytest.mark.parametrize(
    ("text", "message"),
    [
        (b"\xff", "byte 0 is not UTF-8 text; save it as UTF-8"),
        (b"name = '\0'", "holds zero bytes, so it is not a text file"),
        ("name = ", "is not valid TOML: "),
        ("[vehicle]\n[vehicle]\n", "is not valid TOML: "),
        ("name = " + "9" * 5000, "holds a number of thousands of digits; shorten it"),
        ("name = " + "[" * 90_000, "is nested too deeply; flatten it"),
        ("name = 'x'\n", "table [vehicle] is missing; add it or name a base that has it"),
        ("base = 'full'\nname = 5\n", "name: is 5; write one line of text"),
        ("base = 'full'\ntitle = 'a\\nb'\n".replace("'", '"'), "title: is 'a\\nb'; write one line"),
        ("vehicle = 5\n", "vehicle: is no table; write [vehicle] on its own line"),
        ("[vehicel]\n", "[top level] vehicel: is not known here; did you mean vehicle?"),
        ("[[vehicle]]\n", "vehicle: is no table"),
        ("base = 'none.toml'\n", "base: 'none.toml' does not exist beside it"),
        ("base = 3\n", "base: 3 does not exist beside it"),
        (f"base = '{'x' * 5000}'\n", "does not exist beside it"),
        ("base = 'car.toml'\n", "base: the files name each other in a circle; cut it"),
        ("base = './././car.toml'\n", "base: the files name each other in a circle; cut it"),
        ("base = 'full'\n[vehicle]\nmass = 1\n", "[vehicle] mass: is not known here; did you mean"),
        ("base = 'full'\n[vehicle]\nmass_kg = 'x'\n", "[vehicle] mass_kg: is 'x'; write a finite"),
        ("base = 'full'\n[vehicle]\nmass_kg = [1700]\n", "[vehicle] mass_kg: is [1700]; write a"),
        ("base = 'full'\n[vehicle]\nmass_kg = 1e9\n", "[vehicle] mass_kg: is 1e+09; allowed is 50"),
        ("base = 'full'\n[gearbox]\nratios = 4\n", "[gearbox] ratios: is 4; write a list of numbe"),
        (
            "base = 'full'\n[gearbox]\nratios = [4]\n",
            "efficiencies: has 8 entries but ratios has 1",
        ),
        ("base = 'full'\n[clutches]\nelectric_oil_pump = 1\n", "is 1; write true or false"),
        (
            "base = 'full'\n[engine]\nmodel = 'wilans'\n",
            "model: is 'wilans'; write 'willans' or 'm",
        ),
        (
            "base = 'full'\n[motor]\nmodel = 1\n",
            "[motor] model: is 1; write 'polynomial' or 'maps'",
        ),
        (
            "base = 'full'\n[engine]\nmodel = 'willans'\n",
            "[engine] marginal_efficiency: is missing",
        ),
        ("base = 'full'\n[battery]\ntable_csv = 'b.csv'\n", "table_csv: the file 'b.csv' does not"),
        ("base = 'full'\n[battery]\ntable_csv = ''\n", "table_csv: the file '' does not exist"),
        ("base = 'full'\n[battery]\ntable_csv = 3\n", "table_csv: the file 3 does not exist"),
        (f"base = 'full'\n[motor]\nx_csv = '{'y' * 5000}'\n", "x_csv: the file 'yyy"),
        ("base = 'full'\n[motor]\nloss_map_cvs = 'a'\n", "did you mean loss_map_csv?"),
    ],
)
def test_wrong_files_are_refused(write, text, message):
    assert message in refusal(write(text))


def test_missing_map_is_refused(folder):
    text = (folder / "full.toml").read_text()
    for key in ("fuel_map_csv", "peak_torque_csv", "table_csv"):
        lines = [line for line in text.splitlines() if not line.startswith(key)]
        path = folder / "less.toml"
        path.write_text("\n".join(lines))
        assert f"{key}: is missing; name the CSV file, or set model" in refusal(path)


def test_missing_key_names_its_table(folder):
    text = (folder / "full.toml").read_text()
    path = folder / "less.toml"
    path.write_text(text.replace("mass_kg = 1700\n", ""))
    assert "[vehicle] mass_kg: is missing; add it" in refusal(path)


def test_fault_in_a_map_names_the_map(folder):
    path = folder / "motor_60kW_loss_map.csv"
    path.write_text(path.read_text().replace("0,-190,2716.2\n", ""))
    with pytest.raises(InputError) as caught:
        read_driveline(folder / "full.toml")
    assert str(caught.value).startswith(f"{path}: the point speed_rpm 0, torque_Nm -190 is missing")


@pytest.mark.parametrize(
    ("fault", "message"),
    [
        ("[vehicle]\nmass = 1\n", "[vehicle] mass: is not known here"),
        ("[vehicle]\nmass_kg = -1\n", "[vehicle] mass_kg: is -1; allowed is 50 to 100000"),
        ("[gearbox]\nratios = [1, true]\n", "[gearbox] ratios[1]: is True; write"),
        ("[engine]\nmodel = 'x'\n", "[engine] model: is 'x'; write"),
        ("[motor]\nloss_map_csv = 'x'\n", "[motor] loss_map_csv: the file 'x' does not exist"),
        ("oops = 1\n", "[top level] oops: is not known here"),
    ],
)
def test_fault_in_a_base_names_the_base(write, fault, message):
    base = write('base = "full"\n' + fault, "a.toml")
    with pytest.raises(InputError) as caught:
        read_driveline(write('base = "a.toml"\n[vehicle]\ndrag_area_m2 = 0.5\n'))
    assert str(caught.value).startswith(f"{base}: {message}")


def test_long_chain_of_bases_is_refused(write):
    for i in range(12):
        write(f'base = "{i + 1}.toml"\n', f"{i}.toml")
    with pytest.raises(InputError, match="base: "):
        read_driveline(write('base = "0.toml"\n'))


# --- random files ---


SECTIONS = ["vehicle", "gearbox", "engine", "motor", "battery", "clutches", "start", "fuel"]
KEYS = sorted(
    field.metadata["key"]
    for cls in (parts.Vehicle, parts.Gearbox, parts.Engine, parts.Motor, parts.Battery)
    for field in dataclasses.fields(cls)
    if "key" in field.metadata
) + ["model", "loss_map_csv", "table_csv"]
VALUES = ["1", "-1", "1e9", "nan", "inf", "''", "'willans'", "[]", "[1, 2]", "true", "{}", "1_0"]
VALUES += ["9" * 400, "1979-05-27", "'full.toml'", "[[1]]", "0.5", "0"]


@pytest.mark.long
@given(st.binary(max_size=200) | st.text(max_size=200).map(str.encode))
@settings(max_examples=200)
def test_random_bytes_raise_only_input_errors(tmp_path_factory, content):
    accept_or_refuse(tmp_path_factory, content)


@pytest.mark.long
@given(
    st.sampled_from(SECTIONS),
    st.lists(st.tuples(st.sampled_from(KEYS), st.sampled_from(VALUES)), max_size=3),
)
@settings(max_examples=150)
def test_random_tables_raise_only_input_errors(tmp_path_factory, section, pairs):
    lines = ["base = 'full'", f"[{section}]", *(f"{key} = {value}" for key, value in pairs)]
    accept_or_refuse(tmp_path_factory, "\n".join(lines).encode())


def accept_or_refuse(tmp_path_factory, content):
    path = tmp_path_factory.getbasetemp() / "random.toml"
    path.write_bytes(content)
    try:
        driveline = read_driveline(path)
    except InputError as error:
        assert str(error)
    else:
        assert isinstance(driveline, parts.Driveline)
