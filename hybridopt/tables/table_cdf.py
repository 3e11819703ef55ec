"""Tables in the calibration data format ASAM CDF 2.0 (XML): lossless, SI, shared axes once.

Each table, constant and axis is an instance under its own name. The last axis of a table is the
first one of the format, so that values follow each other as they do in the C code.
"""

from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any
from xml.etree.ElementTree import Element, SubElement, indent, tostring

import numpy as np

from ..base.errors import InputError
from ..controllers.maps import Map
from ..files.xml_text import read_xml
from ..inputs.fields import shown
from .contents import Made, kind_of
from .form import Content, Form, check_content
from .origin import origin_record, read_origin, xml_line
from .quantities import TableQuantity, check_axis, fault, unit_factor

CATEGORIES = ("VALUE", "CURVE", "MAP", "CUBOID", "CUBE_4", "CUBE_5")
"""Of an instance, by its number of axes."""
DOCTYPE = (
    "<!DOCTYPE MSRSW PUBLIC "
    '"-//ASAM//DTD CALIBRATION DATA FORMAT:V2.0.0:LAI:IAI:XML:CDF200.XSD//EN" "cdf_v2.0.0.sl.dtd">'
)
ORIGIN = "origin"  # identifier of the special data that hold what is no calibration value


# --- writing ---


def cdf_text(content: Content) -> str:
    """Return a content as CDF 2.0; each float comes back as it was, coverage is not in it."""
    form, constants, maps = content.form, content.constants, content.maps
    record = origin_record(content, form.digest(constants, maps))
    root = Element("MSRSW")
    _texts(root, {"SHORT-NAME": _kind_name(form), "CATEGORY": "CDF20"})
    system = SubElement(SubElement(root, "SW-SYSTEMS"), "SW-SYSTEM")
    _texts(system, {"SHORT-NAME": _kind_name(form)})
    tree = SubElement(SubElement(system, "SW-INSTANCE-SPEC"), "SW-INSTANCE-TREE")
    _texts(tree, {"SHORT-NAME": "tables", "CATEGORY": "NO_VCD"})
    for name, quantity in form.constants.items():
        category = "VAL_BLK" if name in form.by_gear else "VALUE"
        _add(tree, name, form.meanings[name], category, quantity, constants[name])
    shared = form.shared_axes(maps)
    for name, found in maps.items():
        *axes, (_, quantity, values) = form.arrays(name, found)
        for axis, of_axis, points in axes:
            if shared[axis] == axis:
                _add(tree, axis, f"axis {of_axis.name}", "COM_AXIS", of_axis, points)
        category = CATEGORIES[len(axes)]
        instance = _add(tree, name, form.meanings[name], category, quantity, values, found.axes)
        conts = SubElement(instance, "SW-AXIS-CONTS")
        for axis, _, _ in reversed(axes):
            cont = SubElement(conts, "SW-AXIS-CONT")
            _texts(cont, {"CATEGORY": "COM_AXIS", "SW-INSTANCE-REF": shared[axis]})
    group = SubElement(SubElement(root, "SDGS"), "SDG", GID=ORIGIN)
    for key, value in record.items():
        for text in value if isinstance(value, list) else [value]:
            SubElement(group, "SD", GID=key).text = xml_line(str(text))
    indent(root)
    head = f'<?xml version="1.0" encoding="UTF-8"?>\n{DOCTYPE}\n'
    return head + tostring(root, encoding="unicode") + "\n"


def _kind_name(form: Form) -> str:
    return form.kind.replace(" ", "_")


def _texts(parent: Element, texts: Mapping[str, str]) -> None:
    for tag, text in texts.items():
        SubElement(parent, tag).text = text


def _add(
    tree: Element,
    name: str,
    meaning: str,
    category: str,
    quantity: TableQuantity,
    values: np.ndarray,
    axes: Sequence[np.ndarray] = (),
) -> Element:
    """Add an instance with its values; `axes` label the groups of values."""
    instance = SubElement(tree, "SW-INSTANCE")
    _texts(instance, {"SHORT-NAME": name, "LONG-NAME": meaning, "CATEGORY": category})
    cont = SubElement(instance, "SW-VALUE-CONT")
    unit = SubElement(cont, "UNIT-DISPLAY-NAME", {"xml:space": "preserve"})
    unit.text = quantity.unit
    if category != "VALUE":
        size = SubElement(cont, "SW-ARRAYSIZE")
        for count in reversed(values.shape):
            SubElement(size, "V").text = str(count)
    _add_values(SubElement(cont, "SW-VALUES-PHYS"), values, axes)
    return instance


def _add_values(parent: Element, values: np.ndarray, axes: Sequence[np.ndarray]) -> None:
    if values.ndim == 1:
        for value in values:
            SubElement(parent, "V").text = repr(float(value))
        return
    for point, part in zip(axes[0], values, strict=True):
        group = SubElement(parent, "VG")
        SubElement(group, "LABEL").text = repr(float(point))
        _add_values(group, part, axes[1:])


# --- reading ---


def read_cdf(path: Path) -> Made:
    """Read tables from a CDF 2.0 file that holds all of them, with their origin.

    Values may be in SI units or in those of the trade (km/h, rpm, %, kW), as the unit says.

    Raises
    ------
    InputError
        The file, or something in it, is missing or wrong; the message says what.
    """
    root = _root(path)
    record = _origin(root)
    if not record:
        raise InputError(
            f"{path}: says nothing of the origin of its values; give the tables they belong to, "
            "and this file as --values of hybridopt export"
        )
    kind = kind_of(record, str(path))
    instances, form = _Instances(path, root), kind.form
    constants = {name: instances.constant(name, q) for name, q in form.constants.items()}
    maps = {name: instances.table(form, name) for name in form.layout}
    form.check_parts(constants, maps, str(path))
    origin = read_origin(record, form.digest(constants, maps), str(path))
    return kind.made(origin, constants, maps)


def with_cdf_values(content: Made, path: Path) -> Made:
    """Return tables with the values that a CDF 2.0 file holds under their names.

    Parameters
    ----------
    content
        The tables; what the file does not name stays, and so does their origin, marked as edited
        where a value changed. A table whose shape changed loses its coverage.
    path
        The file; other names in it do not count.

    Raises
    ------
    InputError
        The file names no part of the tables, or something in it is wrong; the message says what.
    """
    instances, form = _Instances(path, _root(path)), content.form
    constants, maps = dict(content.constants), dict(content.maps)
    shared = form.shared_axes(maps)
    if not instances.found.keys() & {*constants, *maps, *shared.values()}:
        raise InputError(
            f"{path}: names no value of {form.noun}, such as {next(iter(maps))}; give a file of "
            "these tables"
        )
    for name, quantity in form.constants.items():
        if name in instances.found:
            constants[name] = instances.constant(name, quantity)
    for name, kept in content.maps.items():
        if name in instances.found:
            maps[name] = instances.table(form, name, kept)
            continue
        names = [shared[axis] for axis in form.axis_names(name)]
        axes = [
            instances.points(axis, quantity) if axis in instances.found else points
            for axis, quantity, points in zip(names, form.axes(name), kept.axes, strict=True)
        ]
        maps[name] = Map(tuple(axes), kept.values)
    form.check_parts(constants, maps, str(path))
    same = form.digest(constants, maps) == form.digest(content.constants, content.maps)
    origin = replace(content.origin, edited=content.origin.edited or not same)
    coverage = {
        name: known
        for name, known in content.coverage.items()
        if known.visits.shape == maps[name].values.shape
    }
    found = type(content).made(origin, constants, maps, coverage)
    check_content(found)
    return found


def _root(path: Path) -> Element:
    root = read_xml(path)
    category = root.findtext("CATEGORY", "")
    if root.tag != "MSRSW" or category.strip() != "CDF20":
        raise InputError(
            f"{path}: is no file of the calibration data format CDF 2.0 (root {shown(root.tag)}, "
            f"category {shown(category)}); give one"
        )
    return root


def _origin(root: Element) -> dict[str, Any]:
    """Return what the special data say, as :func:`read_origin` wants it."""
    record: dict[str, Any] = {}
    for item in root.iterfind(f"SDGS/SDG[@GID='{ORIGIN}']/SD"):
        key, text = item.get("GID", ""), item.text or ""
        if key == "cycles":
            record.setdefault("cycles", []).append(text)
        else:
            record[key] = text
    if record:
        record.setdefault("cycles", [])
        record["edited"] = record.get("edited") != "False"
    return record


class _Instances:
    """The instances of a file by name."""

    def __init__(self, path: Path, root: Element) -> None:
        self.path = path
        self.found: dict[str, Element] = {}
        for instance in root.iterfind("SW-SYSTEMS/SW-SYSTEM//SW-INSTANCE"):
            name = instance.findtext("SHORT-NAME", "").strip()
            if name in self.found:
                raise InputError(f"{path}: {shown(name)} is there twice; keep one")
            self.found[name] = instance

    def constant(self, name: str, quantity: TableQuantity) -> np.ndarray:
        """Return the values of a constant, SI."""
        return self._values(name, self._cont(name), quantity, (None,))

    def table(self, form: Form, name: str, kept: Map | None = None) -> Map:
        """Return a table with its axes; those that the file lacks are those of `kept`."""
        conts = self._instance(name).findall("SW-AXIS-CONTS/SW-AXIS-CONT")[::-1]
        quantities = form.axes(name)
        if len(conts) != len(quantities):
            raise InputError(
                f"{self.path}: {name}: has {len(conts)} axes; give "
                f"{', '.join(q.name for q in reversed(quantities))}"
            )
        axes = tuple(
            self._axis(f"{name}: axis {quantity.name}", cont, quantity, kept and kept.axes[i])
            for i, (cont, quantity) in enumerate(zip(conts, quantities, strict=True))
        )
        shape = [axis.size for axis in axes]
        return Map(axes, self._values(name, self._cont(name), form.value(name), shape))

    def _instance(self, name: str) -> Element:
        if name not in self.found:
            raise InputError(
                f"{self.path}: {shown(name)} is missing; add it, as in an exported file"
            )
        return self.found[name]

    def _cont(self, name: str) -> Element:
        """Return what holds the values of an instance; axes may have them in either place."""
        instance = self._instance(name)
        cont = instance.find("SW-VALUE-CONT")
        if cont is None:
            cont = instance.find("SW-AXIS-CONTS/SW-AXIS-CONT")
        if cont is None:
            raise InputError(f"{self.path}: {name}: holds no values; add them")
        return cont

    def points(self, name: str, quantity: TableQuantity) -> np.ndarray:
        """Return the points of an axis that is an instance of its own."""
        return self._points(name, self._cont(name), quantity)

    def _axis(
        self, place: str, cont: Element, quantity: TableQuantity, kept: np.ndarray | None
    ) -> np.ndarray:
        """Return the points of an axis: its own ones, or those of the instance it names."""
        other = cont.findtext("SW-INSTANCE-REF", "").strip()
        if not other:
            return self._points(place, cont, quantity)
        if kept is not None and other not in self.found:
            return kept
        return self.points(other, quantity)

    def _points(self, place: str, cont: Element, quantity: TableQuantity) -> np.ndarray:
        points = self._values(place, cont, quantity, (None,))
        check_axis(points, [f"{self.path}: {place}[{i + 1}]" for i in range(points.size)])
        return points

    def _values(
        self, place: str, cont: Element, quantity: TableQuantity, shape: Sequence[int | None]
    ) -> np.ndarray:
        """Return values in SI; where the shape is None any number will do."""
        unit = _unit(cont.findtext("UNIT-DISPLAY-NAME", quantity.unit), quantity)
        factor = unit_factor(unit, quantity, f"{self.path}: {place}")
        values = cont.find("SW-VALUES-PHYS")
        if values is None or not len(values):
            raise InputError(f"{self.path}: {place}: holds no values; add them")
        if len(shape) == 1 and [item.tag for item in values] == ["VG"]:
            values = values[0]
        of_range = quantity.factor if factor == 1.0 else 1.0
        return np.array(self._nested(place, values, quantity, of_range, shape)) * factor

    def _nested(
        self,
        place: str,
        parent: Element,
        quantity: TableQuantity,
        factor: float,
        shape: Sequence[int | None],
    ) -> Any:
        if not shape:
            return self._number(place, parent, quantity, factor)
        tag = "VG" if len(shape) > 1 else "V"
        items = [item for item in parent if item.tag != "LABEL"]
        wrong = next((item.tag for item in items if item.tag != tag), tag)
        if wrong != tag or not items or len(items) != (shape[0] or len(items)):
            raise InputError(
                f"{self.path}: {place}: has {len(items)} entries {shown(wrong)}; give "
                f"{shape[0] or 'one or more'} of {tag}, one per point of the axis"
            )
        return [
            self._nested(f"{place}[{i}]", item, quantity, factor, shape[1:])
            for i, item in enumerate(items, 1)
        ]

    def _number(self, place: str, item: Element, quantity: TableQuantity, factor: float) -> float:
        text = (item.text or "").strip()
        try:
            value = float("text" if "_" in text else text)
        except ValueError:
            raise InputError(
                f"{self.path}: {place}: is {shown(text)}; write a number with a point"
            ) from None
        if wrong := fault(value, quantity, factor):
            raise InputError(f"{self.path}: {place}: {wrong}; mend it")
        return value


def _unit(text: str, quantity: TableQuantity) -> str:
    """Return a unit as the tables write it: blanks do not count, and a hyphen is none."""
    plain = text.replace(" ", "") or "1"
    known = {unit.replace(" ", ""): unit for unit in (quantity.file_unit, quantity.unit)}
    return known.get("1" if plain == "-" else plain, text)
