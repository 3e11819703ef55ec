"""Description of the exported C code for calibration: ASAM MCD-2 MC (A2L), version 1.6.1.

Every array of the code is a characteristic or an axis under the name it has in the tables' other
files; the last axis of a table comes first, so that its values follow each other row by row.
"""

from collections.abc import Iterable
from pathlib import Path

import numpy as np

from ..base.cautions import TABLES_CAUTION
from ..base.errors import InputError
from ..tables.contents import Made
from ..tables.origin import origin_record
from ..tables.rule_set import RuleSet
from .c_arrays import CArray
from .c_code import rule_arrays
from .c_text import c_name, comment_text
from .elf import Elf, read_elf, shown_address
from .preview_c_code import preview_arrays

TYPES = ("VALUE", "CURVE", "MAP", "CUBOID", "CUBE_4", "CUBE_5")
"""Of a characteristic, by its number of axes."""
LAYOUTS = {"float32": "FLOAT32_IEEE", "int16": "SWORD"}
"""Words of the standard for the types of the C code."""
FORMAT = '"%13.6"'  # digits in all and behind the point
NO_ADDRESS = "0x00000000"


def a2l_text(content: Made, *, int16: bool = False, elf: Path | None = None) -> str:
    """Return the description of the C code of some tables.

    Parameters
    ----------
    content
        What the code is made of.
    int16
        Whether it is the code with scaled int16.
    elf
        The linked object, compiled for calibration; its addresses, byte order and sizes are taken.
        Without it all addresses are 0.

    Raises
    ------
    InputError
        A value is not fit for use, or the object is not that of these tables.
    """
    arrays, name = arrays_of(content, int16)
    found = None
    if elf is not None:
        found = read_elf(elf)
        found.find(f"{name}_calibrated", f"{name}.c")
    addresses = {of.label: _address(of, found, f"{name}.c") for of in arrays}
    lines = [
        *_head(content, name, found),
        *_common(found),
        *(line for row in _conversions(arrays).values() for line in row),
        *_layouts(arrays),
        *(line for of in arrays for line in _described(of, addresses[of.label], arrays)),
        *_group(name, arrays),
        "  /end MODULE",
        "/end PROJECT",
    ]
    return "\n".join(lines) + "\n"


def arrays_of(content: Made, int16: bool = False) -> tuple[list[CArray], str]:
    """Return what can be calibrated in the C code of some tables, and the name of the code.

    Raises
    ------
    InputError
        A value is not fit for use, or maps are wanted in int16.
    """
    title = content.origin.title
    if isinstance(content, RuleSet):
        return rule_arrays(content, int16), c_name(title)
    if int16:
        raise InputError(
            f"kind a2l-int16: is for rule tables, these are {content.form.noun}; give a2l"
        )
    return preview_arrays(content), c_name(title, "preview")


def _address(of: CArray, elf: Elf | None, file: str) -> str:
    if elf is None:
        return NO_ADDRESS
    symbol = elf.find(of.row.name, file)
    if symbol.size != of.row.entries.nbytes:
        raise InputError(
            f"{elf.path}: {of.row.name} has {symbol.size} bytes, in these tables "
            f"{of.row.entries.nbytes}; link the C code of the same tables and kind"
        )
    return shown_address(symbol, elf.path)


def _head(content: Made, name: str, elf: Elf | None) -> Iterable[str]:
    record = origin_record(content, "")
    record["cycles"] = ", ".join(record["cycles"])
    yield "ASAP2_VERSION 1 61"
    yield "/*"
    for key, value in record.items():
        if value != "":
            yield f" * {key}: {comment_text(str(value))}"
    yield f" * C code: {name}.c, compiled with {name.upper()}_CALIBRATION defined"
    at = "those of the linked object" if elf else "not known (0): give the linked object"
    yield f" * addresses: {at}"
    yield " */"
    yield f"/begin PROJECT {name} {_text(record['title'])}"
    yield f"  /begin HEADER {_text(TABLES_CAUTION)}"
    yield f"    VERSION {_text(record['version'])}"
    yield "  /end HEADER"
    yield f"  /begin MODULE {name} {_text(content.form.noun + ' of a parallel hybrid driveline')}"


def _common(elf: Elf | None) -> Iterable[str]:
    order = "MSB_FIRST" if elf and elf.big_endian else "MSB_LAST"
    known = "of the linked object" if elf else "of the byte order little endian is assumed"
    yield f"    /begin MOD_COMMON {_text(known)}"
    yield f"      BYTE_ORDER {order}"
    yield "      ALIGNMENT_WORD 2"
    yield "      ALIGNMENT_FLOAT32_IEEE 4"
    yield "    /end MOD_COMMON"


def _conversion_name(of: CArray) -> str:
    """Return the name of a conversion: by the unit, or by the array where it is scaled."""
    if of.row.scale is not None:
        return f"of_{of.label}"
    unit = of.row.quantity.unit.replace("/", "_per_").replace(" ", "_")
    return "unit_none" if unit == "1" else f"unit_{unit}"


def _conversions(arrays: Iterable[CArray]) -> dict[str, list[str]]:
    """Return the text of each conversion once."""
    found = {}
    for of in arrays:
        name, unit = _conversion_name(of), of.row.quantity.unit
        unit = "" if unit == "1" else unit
        scale = of.row.scale
        lines = [f"    /begin COMPU_METHOD {name} {_text(unit or 'without unit')}"]
        lines.append(f"      {'IDENTICAL' if scale is None else 'LINEAR'} {FORMAT} {_text(unit)}")
        if scale is not None:
            slope, offset = (_number(float(np.float32(x))) for x in (scale.scale, scale.offset))
            lines.append(f"      COEFFS_LINEAR {slope} {offset}")
        found[name] = [*lines, "    /end COMPU_METHOD"]
    return found


def _layout_name(of: CArray) -> str:
    return f"{'points' if of.kind == 'axis' else 'values'}_{of.row.entries.dtype}"


def _layouts(arrays: Iterable[CArray]) -> Iterable[str]:
    for name, of in {_layout_name(of): of for of in arrays}.items():
        kept = LAYOUTS[str(of.row.entries.dtype)]
        axis = f"AXIS_PTS_X 1 {kept} INDEX_INCR DIRECT"
        yield f"    /begin RECORD_LAYOUT {name}"
        yield f"      {axis if of.kind == 'axis' else f'FNC_VALUES 1 {kept} ROW_DIR DIRECT'}"
        yield "    /end RECORD_LAYOUT"


def _limits(of: CArray) -> str:
    """Return the lowest and highest value: those of the tables that the C type can hold."""
    quantity, scale = of.row.quantity, of.row.scale
    low, high = quantity.low * quantity.factor, quantity.high * quantity.factor
    if scale is not None:
        room = 32767 * scale.scale
        low, high = max(low, scale.offset - room), min(high, scale.offset + room)
    return f"{_number(low)} {_number(high)}"


def _described(of: CArray, address: str, arrays: list[CArray]) -> Iterable[str]:
    """Return the description of an array."""
    count = of.row.values.size
    conversion, layout = _conversion_name(of), _layout_name(of)
    block = "AXIS_PTS" if of.kind == "axis" else "CHARACTERISTIC"
    yield f"    /begin {block} {of.label} {_text(of.meaning)}"
    if of.kind == "axis":
        yield f"      {address} NO_INPUT_QUANTITY {layout} 0 {conversion} {count} {_limits(of)}"
        yield "      MONOTONY STRICT_INCREASE"
    else:
        kind = "VAL_BLK" if of.kind == "block" else TYPES[len(of.axes)]
        yield f"      {kind} {address} {layout} 0 {conversion} {_limits(of)}"
        if of.kind == "block":
            yield f"      MATRIX_DIM {count} 1 1"
        if of.derived:
            yield "      READ_ONLY"
        for axis in reversed(of.axes):
            yield from _axis(axis, arrays)
    yield f'      SYMBOL_LINK "{of.row.name}" 0'
    yield f"    /end {block}"


def _axis(axis: str | np.ndarray, arrays: list[CArray]) -> Iterable[str]:
    """Return the description of an axis of a table: a shared one, or one that is counted."""
    if isinstance(axis, str):
        of = next(found for found in arrays if found.label == axis)
        size, limits = of.row.values.size, _limits(of)
        yield "      /begin AXIS_DESCR COM_AXIS NO_INPUT_QUANTITY"
        yield f"        {_conversion_name(of)} {size} {limits}"
        yield f"        AXIS_PTS_REF {axis}"
    else:
        first, last = int(axis[0]), int(axis[-1])
        yield "      /begin AXIS_DESCR FIX_AXIS NO_INPUT_QUANTITY"
        yield f"        NO_COMPU_METHOD {axis.size} {first} {last}"
        yield f"        FIX_AXIS_PAR_DIST {first} 1 {axis.size}"
    yield "      /end AXIS_DESCR"


def _group(name: str, arrays: Iterable[CArray]) -> Iterable[str]:
    yield f'    /begin GROUP all_of_{name} "all that can be calibrated"'
    yield "      ROOT"
    yield "      /begin REF_CHARACTERISTIC"
    yield from (f"        {of.label}" for of in arrays)
    yield "      /end REF_CHARACTERISTIC"
    yield "    /end GROUP"


def _text(text: str) -> str:
    """Return a text as a string of A2L: printable, in ASCII, without what could end it."""
    return f'"{comment_text(text)[:255]}"'


def _number(value: float) -> str:
    return repr(float(value))
