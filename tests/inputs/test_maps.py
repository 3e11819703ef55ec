"""Maps and curves from CSV files: units, grids, and the words of refusals."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from hybridopt.base.errors import InputError
from hybridopt.files import csv_table
from hybridopt.inputs.maps import read_battery_table, read_curve, read_map

RPM = 2 * math.pi / 60
CURVE = "speed_rpm,torque_Nm\n"
MAP = "speed_rpm,torque_Nm,loss_W\n"
BATTERY = (
    "soc_percent,open_circuit_voltage_V,resistance_discharge_ohm,resistance_charge_ohm,"
    "power_discharge_max_kW,power_charge_max_kW\n"
)


@pytest.fixture
def write(tmp_path):
    """Return a function that writes a file and returns its path."""

    def write(content):
        path = tmp_path / "table.csv"
        path.write_bytes(content if isinstance(content, bytes) else content.encode())
        return path

    return write


# --- what is read ---


def test_curve_in_si(write):
    curve = read_curve(write(CURVE + "0,5\n60,-7\n"))
    assert curve.dims == ("speed",)
    assert curve.speed.values == pytest.approx([0, 2 * math.pi])
    assert curve.values.tolist() == [5, -7]


def test_map_points_come_in_any_order(write):
    """Column and row order do not matter; each value stays with its own pair."""
    text = "# a motor\nloss_W,torque_Nm,note,speed_rpm\n"
    rows = [(f"{100 * s + t}", t, s) for s in (0, 30, 60) for t in (-5, 0, 5, 10)]
    order = np.random.default_rng(1).permutation(len(rows))
    text += "".join(f"{rows[i][0]},{rows[i][1]},x,{rows[i][2]}\n" for i in order)
    data = read_map(write(text), "loss_W")
    assert data.dims == ("speed", "torque") and data.shape == (3, 4)
    assert data.speed.values == pytest.approx([0, 30 * RPM, 60 * RPM])
    assert data.torque.values.tolist() == [-5, 0, 5, 10]
    expected = 100 * np.array([0, 30, 60])[:, None] + np.array([-5, 0, 5, 10])
    assert np.array_equal(data.values, expected)


def test_battery_table_in_si(write):
    table = read_battery_table(write(BATTERY + "0,240,0.2,0.1,50,40\n100,260,0.1,0.2,60,30\n"))
    assert table.soc.values.tolist() == [0, 1]
    expected = {
        "open_circuit_voltage": [240, 260],
        "resistance_discharge": [0.2, 0.1],
        "resistance_charge": [0.1, 0.2],
        "power_discharge_max": [50e3, 60e3],
        "power_charge_max": [40e3, 30e3],
    }
    assert set(table["quantity"].values) == set(expected)
    for name, values in expected.items():
        assert table.sel(quantity=name).values.tolist() == values


# --- what is refused ---


@pytest.mark.parametrize(
    ("content", "message"),
    [
        ("", "the file is empty; it needs a header row and rows of numbers"),
        ("# a comment alone\n,,\n", "the file is empty"),
        (
            "speed_rpm,torque\n0,1\n",
            r"column torque_Nm is missing \(found: speed_rpm, torque\); add",
        ),
        (CURVE, "speed_rpm: a curve needs at least two rows"),
        (CURVE + "0,1\n", "speed_rpm: a curve needs at least two rows"),
        (CURVE + "0,1\n100,1\n100,2\n", "speed_rpm: 100 follows 100 in data row 3; sort the rows"),
        (CURVE + "0,1\n100,1\n50,2\n", "speed_rpm: 50 follows 100 in data row 3; sort the rows"),
        (CURVE + "0,1\n# x\n\n1,\n", "line 5: torque_Nm is blank; write a finite number"),
        (CURVE + "0,1\n1,nan\n", "line 3: torque_Nm is 'nan'; write a finite number"),
        (CURVE + "0,1\n1_0,1\n", "line 3: speed_rpm is '1_0'; write a finite number"),
        (CURVE + "0,1\n,\n2,1\n", "line 3: speed_rpm is blank; write a finite number"),
        (CURVE + "0,5,1,5\n", "line 2: has 4 cells but the header names 2; write decimals with a"),
        ("speed_rpm,torque_Nm,\n0,5,1\n", "line 2: has 3 cells but the header names 2; write dec"),
        ("speed_rpm,torque_Nm,speed_rpm\n0,5,1\n", "column speed_rpm is there 2 times; keep one"),
        (CURVE + '0,"5\n1,7"\n', r"line 2: not readable as CSV \("),
        (CURVE + '0,"5"x\n', r"line 2: not readable as CSV \("),
        (b"speed_rpm\xff", "byte 9 is not UTF-8 text; save it as UTF-8"),
        (b"speed_rpm\0", "holds zero bytes, so it is not a text file"),
    ],
)
def test_wrong_curves_are_refused(write, content, message):
    path = write(content)
    with pytest.raises(InputError, match=message) as caught:
        read_curve(path)
    assert str(caught.value).startswith(f"{path}: ") and "\n" not in str(caught.value)


@pytest.mark.parametrize(
    ("rows", "message"),
    [
        ("0,0,1\n0,1,1\n9,0,1\n", "the point speed_rpm 9, torque_Nm 1 is missing; give every pair"),
        ("0,0,1\n9,1,1\n", "the point speed_rpm 0, torque_Nm 1 is missing; give every pair"),
        ("0,0,1\n0,1,1\n9,0,1\n9,1,1\n9,0,1\n", "the point speed_rpm 9, torque_Nm 0 is given 2 t"),
        ("0,0,1\n0,1,1\n", "a map needs at least two speeds and two torques"),
        ("0,0,1\n1,0,1\n", "a map needs at least two speeds and two torques"),
        ("", "a map needs at least two speeds and two torques"),
        (
            "0,5,0,5,1,5\n",
            "line 2: has 6 cells but the header names 3; write decimals with a point",
        ),
    ],
)
def test_wrong_maps_are_refused(write, rows, message):
    path = write(MAP + rows)
    with pytest.raises(InputError, match=message) as caught:
        read_map(path, "loss_W")
    assert str(caught.value).startswith(f"{path}: ")


def test_scattered_points_are_refused_without_making_their_grid(write):
    """30 000 speeds by 30 000 torques would be 7 GB; the hole is found without them."""
    rows = "".join(f"{i},{i},1\n" for i in range(30_000))
    with pytest.raises(InputError, match="the point speed_rpm 0, torque_Nm 1 is missing"):
        read_map(write(MAP + rows), "loss_W")


@given(st.permutations(range(12)), st.integers(0, 11))
@settings(deadline=None)
def test_one_hole_is_found_wherever_it_is(tmp_path_factory, order, hole):
    path = tmp_path_factory.getbasetemp() / "hole.csv"
    pairs = [(s, t) for s in range(3) for t in range(4)]
    rows = "".join(f"{pairs[i][0]},{pairs[i][1]},1\n" for i in order if i != hole)
    path.write_text(MAP + rows)
    s, t = pairs[hole]
    with pytest.raises(InputError, match=f"speed_rpm {s}, torque_Nm {t} is missing"):
        read_map(path, "loss_W")


def test_absent_file_and_folder_are_refused(tmp_path):
    for path, words in ((tmp_path, "is a folder"), (tmp_path / "none.csv", "cannot be read")):
        with pytest.raises(InputError, match=words):
            read_curve(path)


def test_too_large_file_is_refused(write, monkeypatch):
    monkeypatch.setattr(csv_table, "MAX_BYTES", 10)
    with pytest.raises(InputError, match="at most 1e-05 MB is read"):
        read_curve(write(CURVE + "0,1\n1,1\n"))


# --- what is passed over ---


@pytest.mark.parametrize(
    "text",
    [
        '# a,"b\n' + CURVE + "0,5\n60,-7\n",  # a quote in a comment opens nothing
        CURVE + '0,5\n  # "x\n60,-7\n',
        '"# quoted, by a spreadsheet"\n' + CURVE + "0,5\n60,-7\n",
        '"speed_rpm","torque_Nm"\n"0"," 5"\n60,-7\n',
        CURVE.replace("\n", "\r\n") + "0,5\r\n\r\n60,-7\r\n,\r\n,\r\n",
        CURVE.replace("\n", "\r") + "0,5\r60,-7\r",
        "speed_rpm,torque_Nm,,\n0,5,,\n60,-7,,\n",
        "\ufeff" + CURVE + "0,5\n60,-7,,,\n",
    ],
)
def test_curve_in_every_allowed_dress(write, text):
    assert read_curve(write(text)).values.tolist() == [5, -7]


def test_lines_are_counted_as_an_editor_counts_them(write):
    text = '# a,"b\n\n' + CURVE + '# "\n0,1\n\u2028,x\n'
    with pytest.raises(InputError, match="line 6: speed_rpm is blank"):
        read_curve(write(text))


@given(st.text("0123456789.,-+eEn_ \r\n\t\"'#;aif\u2028\x1c", max_size=80), st.booleans())
@settings(deadline=None, max_examples=200)
def test_random_rows_raise_only_input_errors(tmp_path_factory, rows, comment):
    path = tmp_path_factory.getbasetemp() / "rows.csv"
    path.write_bytes((MAP + "0,0,1\n0,1,1\n" + ("# " if comment else "") + rows).encode())
    try:
        data = read_map(path, "loss_W")
    except InputError as error:
        assert str(error).startswith(f"{path}: ")
    else:
        assert np.isfinite(data.values).all() and min(data.shape) >= 2


@given(st.binary(max_size=200))
@settings(deadline=None, max_examples=200)
def test_random_bytes_raise_only_input_errors(tmp_path_factory, content):
    path = tmp_path_factory.getbasetemp() / "bytes.csv"
    path.write_bytes(CURVE.encode() + content)
    try:
        read_curve(path)
    except InputError as error:
        assert str(error)


@pytest.mark.parametrize("delimiter", [";", "\t"])
def test_maps_with_semicolons_and_decimal_commas(tmp_path, delimiter):
    """The same map as with commas and points, cell by cell."""
    rows = [(n, t, n * 0.25 + 0.5 * t * t) for n in (0, 1500, 3000) for t in (-50.5, 0, 50.5)]
    names = ("speed_rpm", "torque_Nm", "loss_W")
    plain = "\n".join([",".join(names), *(",".join(map(str, row)) for row in rows)])
    other = delimiter.join(names) + "\n"
    other += "".join(delimiter.join(map(str, row)).replace(".", ",") + "\n" for row in rows)
    maps = []
    for name, content in (("plain.csv", plain), ("other.csv", other)):
        path = tmp_path / name
        path.write_text(content)
        maps.append(read_map(path, "loss_W"))
    assert np.array_equal(maps[0].values, maps[1].values)
    assert np.array_equal(maps[0].torque, maps[1].torque)
