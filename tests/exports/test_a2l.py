"""ASAM MCD-2 MC (A2L) against the compiled object: names, sizes, addresses, values, effect."""

import ctypes
import os
import re
import shutil
import subprocess
import sys
from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest
from a2l_reader import described, read
from c_build import STRICT
from preview_tables import hand_made_preview
from rule_tables import TRAINING, hand_made
from small_elf import small_elf

from hybridopt.base.cautions import TABLES_CAUTION
from hybridopt.base.errors import InputError
from hybridopt.controllers.maps import Map
from hybridopt.exports.a2l import a2l_text, arrays_of
from hybridopt.exports.c_code import as_int16, c_files
from hybridopt.exports.elf import read_elf
from hybridopt.exports.files import write_a2l, write_c

needs_compiler = pytest.mark.skipif(shutil.which("cc") is None, reason="needs a C compiler")
CASES = {
    "float32": (hand_made, False),
    "int16": (hand_made, True),
    "preview": (hand_made_preview, False),
}


def linked(made, folder, int16=False, calibration=True):
    """Compile the code as a shared object; return its path."""
    _, source = write_c(made, folder, int16=int16, overwrite=True)
    options = [f"-D{source.stem.upper()}_CALIBRATION"] if calibration else []
    out = folder / "code.so"
    command = ["cc", *STRICT, "-O2", "-shared", "-fPIC", *options, source, "-o", out]
    subprocess.run(command, check=True)
    return out


@pytest.fixture(scope="module", params=CASES)
def case(request, tmp_path_factory):
    """Return tables, the object of their code, and its description, read back."""
    if shutil.which("cc") is None:
        pytest.skip("needs a C compiler")
    folder, (make, int16) = tmp_path_factory.mktemp("a2l"), CASES[request.param]
    made = make()
    elf = linked(made, folder, int16)
    write_a2l(made, folder / "code.a2l", int16=int16, elf=elf)
    text = (folder / "code.a2l").read_text(encoding="ascii")
    return SimpleNamespace(
        made=made,
        int16=int16,
        held=as_int16(made) if int16 else made,
        elf=elf,
        path=folder / "code.a2l",
        text=text,
        found=described(text),
    )


def symbols(elf):
    """Return address and size of the data symbols, by nm."""
    listed = subprocess.run(["nm", "-S", elf], capture_output=True, text=True, check=True).stdout
    rows = [line.split() for line in listed.splitlines()]
    return {row[3]: (int(row[0], 16), int(row[1], 16)) for row in rows if len(row) == 4}


@pytest.mark.skipif(shutil.which("nm") is None, reason="needs nm")
def test_names_sizes_and_addresses_are_those_of_the_object(case):
    """By nm; every array of the code is described, and nothing else."""
    there = symbols(case.elf)
    arrays, _ = arrays_of(case.made, case.int16)
    assert case.found.keys() == {of.label for of in arrays}
    for of in case.found.values():
        assert (of.address, of.size) == there[of.symbol], of.name
    data = re.findall(
        r"^static KEPT \w+ (?!\w+_calibrated)(\w+)[ \[]",
        (case.elf.parent / source(case)).read_text(),
        re.M,
    )
    assert sorted(data) == sorted(of.symbol for of in case.found.values())


def source(case):
    return f"{arrays_of(case.made)[1]}.c"


def loaded(case):
    """Return the library and where address 0 of its file lies in memory."""
    library = ctypes.CDLL(str(case.elf))
    name = f"{arrays_of(case.made)[1]}_init"
    at = ctypes.cast(getattr(library, name), ctypes.c_void_p).value
    listed = subprocess.run(["nm", case.elf], capture_output=True, text=True, check=True).stdout
    (start,) = re.findall(rf"^(\w+) T {name}$", listed, re.M)
    return library, at - int(start, 16)


@pytest.mark.skipif(shutil.which("nm") is None, reason="needs nm")
def test_memory_holds_the_tables_as_described(case):
    """Each value read at its address and converted is that of the tables in the code's numbers."""
    _, base = loaded(case)
    for of in case.found.values():
        entries = np.frombuffer(ctypes.string_at(base + of.address, of.size), of.dtype)
        values = of.values(entries)
        if of.name in case.held.maps:
            wanted = case.held.maps[of.name].values
            assert values.shape == wanted.shape
            if of.name == "shift_fuel":  # a shift that leaves gears out may be closed
                values = np.where(values > 1.0, wanted, values)
        elif of.name in case.held.constants:
            wanted = case.held.constants[of.name]
        elif of.kind == "AXIS_PTS":
            shared = case.made.form.shared_axes(case.made.maps)
            table = next(t for t in case.made.maps if of.name in case.made.form.axis_names(t))
            assert shared[of.name] == of.name
            number = case.made.form.axis_names(table).index(of.name)
            wanted = case.held.maps[table].axes[number]
        else:
            continue  # worked out from others: tests of the code cover them
        wanted = wanted if case.int16 and of.dtype == "i2" else np.float32(wanted).astype(float)
        assert np.array_equal(values, wanted), of.name
        assert (of.low <= values + 1e-6).all() and (values - 1e-6 <= of.high).all(), of.name


def test_axes_are_those_of_the_tables(case):
    """Shared axes by reference, counted ones by their points; the last one of the table first."""
    form, shared = case.made.form, case.made.form.shared_axes(case.made.maps)
    for name, found in case.made.maps.items():
        for axis, label, points in zip(
            reversed(case.found[name].axes), form.axis_names(name), found.axes, strict=True
        ):
            if len(axis) == 1:
                assert axis == [shared[label]] and case.found[axis[0]].shape == points.shape
            else:
                first, step, count = (float(x) for x in axis)
                assert np.array_equal(first + step * np.arange(count), points)


def test_units_meanings_origin_and_caution_are_told(case):
    form = case.made.form
    for name in case.made.maps:
        unit = form.value(name).unit
        assert case.found[name].unit == ("" if unit == "1" else unit)
        assert case.found[name].meaning == re.sub(
            "[^A-Za-z0-9 .,:;()+=_%'/-]", "_", form.meanings[name]
        )
    root = read(case.text)
    assert root.tokens[:3] == ["ASAP2_VERSION", "1", "61"]
    assert TABLES_CAUTION in root.all("PROJECT")[0].all("HEADER")[0].tokens
    assert TRAINING in case.text and "assumed" not in case.text
    assert all(of.meaning for of in case.found.values())


def test_the_description_is_sound_by_another_parser(case):
    """By a2ltool, in strict mode with its consistency check."""
    places = [os.path.dirname(sys.executable), os.environ.get("PATH", "")]
    tool = shutil.which("a2ltool", path=os.pathsep.join(places))
    if tool is None:
        pytest.skip("needs a2ltool")
    command = [tool, "--strict", "--check", case.path]
    done = subprocess.run(command, capture_output=True, text=True, check=True)
    assert "No problems found" in done.stdout and not done.stderr
    broken = case.path.with_name("broken.a2l")
    broken.write_text(case.text.replace("/begin COMPU_METHOD", "/begin COMPU_VTAB", 1))
    done = subprocess.run([*command[:-1], broken], capture_output=True, text=True, check=False)
    assert "No problems found" not in done.stdout, "the check can fail"


class Inputs(ctypes.Structure):
    _fields_ = [(name, ctypes.c_float) for name in ("speed", "wheel_speed", "wheel_torque", "soc")]
    _fields_ += [("dt", ctypes.c_float), ("engine_on", ctypes.c_bool), ("gear", ctypes.c_int)]


class Answer(ctypes.Structure):
    _fields_ = [("engine_on", ctypes.c_bool), ("gear", ctypes.c_int)]
    _fields_ += [("motor_torque", ctypes.c_float), ("fault", ctypes.c_bool)]


def decision(library, **given):
    inputs, answer = Inputs(**given), Answer()
    decide = library.rules_made_by_hand_decide
    decide.argtypes = [ctypes.c_void_p, ctypes.c_float, ctypes.c_float, ctypes.c_void_p]
    decide(ctypes.byref(inputs), 1e6, 1e6, ctypes.byref(answer))
    return answer


@needs_compiler
@pytest.mark.parametrize("int16", [False, True])
def test_a_value_changed_at_its_address_changes_the_decision(tmp_path, int16):
    """As a calibration tool does it: the engine starts at 9 kW; raised to 12 kW, it does not."""
    made = hand_made()
    elf = linked(made, tmp_path, int16)
    case = SimpleNamespace(made=made, elf=elf)
    of = described(a2l_text(made, int16=int16, elf=elf))["engine_start"]
    library, base = loaded(case)
    asked = {"speed": 0.5, "wheel_speed": 10.0, "wheel_torque": 1000.0, "soc": 0.5 - 0.031 * 1e-4}
    asked |= {"engine_on": False, "gear": 1}
    assert decision(library, **asked).engine_on
    memory = np.ctypeslib.as_array(
        (np.ctypeslib.as_ctypes_type(of.dtype) * 9).from_address(base + of.address)
    )
    memory[:] = np.rint((12e3 - of.offset) / of.slope)
    assert not decision(library, **asked).engine_on


# --- without an object, and with a wrong one ---


@pytest.mark.parametrize("name", CASES)
def test_without_an_object_addresses_are_0_and_that_is_said(name):
    make, int16 = CASES[name]
    text = a2l_text(make(), int16=int16)
    assert {of.address for of in described(text).values()} == {0}
    assert "addresses: not known (0): give the linked object" in text
    assert "little endian is assumed" in text


@pytest.mark.parametrize("title", ['a" /end MODULE', "*/ /begin", "\\", "ü", "a\nb", ""])
def test_no_title_gets_out_of_its_string(title):
    plain = described(a2l_text(hand_made("x")))
    assert described(a2l_text(hand_made(title))) == plain


@needs_compiler
def test_a_wrong_object_is_one_sentence(tmp_path):
    made = hand_made()
    other, plain = (tmp_path / name for name in ("other", "plain"))
    other.mkdir(), plain.mkdir()
    with pytest.raises(InputError, match="has 6 bytes, in these tables 12; link the C code of th"):
        a2l_text(made, elf=linked(made, other, int16=True))
    for text, message in (
        (b"\x7fELF" + bytes(80), "no known kind"),
        (b"hello", "is no ELF file"),
        (linked(made, plain).read_bytes()[:9000], "is damaged"),
    ):
        (tmp_path / "bad").write_bytes(text)
        with pytest.raises(InputError, match=message):
            a2l_text(made, elf=tmp_path / "bad")
    bare = linked(made, plain, calibration=False)
    with pytest.raises(InputError, match="_hand_calibrated is not among its symbols; link the C"):
        a2l_text(made, elf=bare)
    subprocess.run(["strip", bare], check=True)
    with pytest.raises(InputError, match="holds no symbols; link it without stripping"):
        a2l_text(made, elf=bare)


@needs_compiler
def test_symbols_of_the_same_name_are_told_apart_by_their_source(tmp_path):
    """Another source of the same object has a min_on of its own, and none of ratios."""
    made = hand_made()
    _, code = write_c(made, tmp_path)
    (tmp_path / "b.c").write_text(
        "static volatile float min_on = 1; float b(void) {return min_on;}"
    )
    out, option = tmp_path / "a.so", f"-D{code.stem.upper()}_CALIBRATION"
    command = ["cc", "-shared", "-fPIC", "-O2", option, "b.c", code.name, "-o", out]
    subprocess.run(command, cwd=tmp_path, check=True)
    elf = read_elf(out)
    assert len([s for s in elf.symbols if s.name == "min_on"]) == 2
    assert (
        described(a2l_text(made, elf=out))["min_on"].address
        == elf.find("min_on", code.name).address
    )
    with pytest.raises(InputError, match="min_on is there 2 times"):
        elf.find("min_on", "c.c")


@pytest.mark.parametrize("bits", [32, 64])
@pytest.mark.parametrize("order", ["<", ">"])
def test_objects_of_both_widths_and_orders_are_read(tmp_path, bits, order):
    path = tmp_path / "a.elf"
    path.write_bytes(small_elf(bits, order, 0x8000_1234))
    elf = read_elf(path)
    assert elf.big_endian == (order == ">")
    assert elf.symbols == [("a", 0x8000_1234, 4, "a.c")]


def test_an_address_of_more_than_32_bits_is_refused(tmp_path):
    from hybridopt.exports.elf import shown_address

    path = tmp_path / "a.elf"
    path.write_bytes(small_elf(64, "<", 2**32))
    with pytest.raises(InputError, match="'a' lies at 0x100000000; A2L has room for addresses of"):
        shown_address(read_elf(path).symbols[0], path)


def test_preview_maps_have_no_int16():
    with pytest.raises(InputError, match="kind a2l-int16: is for rule tables, these are preview"):
        a2l_text(hand_made_preview(), int16=True)


# --- shared axes ---


def test_axes_that_are_the_same_are_kept_once():
    made = hand_made()
    text = c_files(made)["rules_made_by_hand.c"]
    assert "engine_stop_speed" not in text and "{3, engine_start_speed}" in text
    axes = made.table.engine_stop.axes
    other = Map((axes[0] * 1.5, axes[1]), made.table.engine_stop.values)
    apart = replace(made, table=replace(made.table, engine_stop=other))
    text = c_files(apart)["rules_made_by_hand.c"]
    assert "float engine_stop_speed[3]" in text and "engine_stop_soc" not in text
    assert described(a2l_text(apart))["engine_stop"].axes == [
        ["engine_start_soc"],
        ["engine_stop_speed"],
    ]
