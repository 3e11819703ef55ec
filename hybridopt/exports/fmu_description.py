"""What a co-simulation unit says of itself, by the versions 2.0 and 3.0 of the interface."""

from collections.abc import Iterable
from typing import Any
from xml.etree.ElementTree import Element, SubElement, indent, tostring

import numpy as np

from ..base.cautions import TABLES_CAUTION
from ..tables.contents import Made
from ..tables.origin import origin_record, xml_line
from .fmu_variables import Layer, Variable

TYPES = {"Real": "Float64", "Boolean": "Boolean", "Integer": "Int32"}
"""Names of the types in FMI 3.0."""
BASE_UNITS = ("kg", "m", "s", "rad")
MADE_OF = {
    "g": (1e-3, {"kg": 1}),
    "N": (1.0, {"kg": 1, "m": 1, "s": -2}),
    "J": (1.0, {"kg": 1, "m": 2, "s": -2}),
    "W": (1.0, {"kg": 1, "m": 2, "s": -3}),
    **{name: (1.0, {name: 1}) for name in BASE_UNITS},
}
"""Factor and exponents of the units that others are made of."""


def description(content: Made, layer: Layer, identity: str, version: int) -> bytes:
    """Return modelDescription.xml of a version, 2 or 3."""
    origin, name, three = content.origin, layer.name, version == 3
    state = "FMUState" if three else "FMUstate"
    root = Element(
        "fmiModelDescription",
        {
            "fmiVersion": f"{version}.0",
            "modelName": xml_line(origin.title) or name,
            "instantiationToken" if three else "guid": identity,
            "description": f"{layer.noun} of a parallel hybrid driveline; training "
            f"{origin.training or 'none'}. {TABLES_CAUTION}",
            "version": xml_line(origin.version),
            "generationTool": xml_line(f"hybridopt {origin.version}"),
            "variableNamingConvention": "structured",
        },
    )
    unit = SubElement(
        root,
        "CoSimulation",
        {
            "modelIdentifier": name,
            "canHandleVariableCommunicationStepSize": "true",
            f"canGetAndSet{state}": "true",
            f"canSerialize{state}": "true",
        },
    )
    if not three:
        root.set("numberOfEventIndicators", "0")
        unit.set("canNotUseMemoryManagementFunctions", "true")
        SubElement(SubElement(unit, "SourceFiles"), "File", name="fmu.c")
    variables = (*layer.variables, *layer.parameters)
    _add_units(SubElement(root, "UnitDefinitions"), {v.unit for v in variables if v.unit})
    entries = SubElement(root, "ModelVariables")
    structure = SubElement(root, "ModelStructure")
    if three:
        _add_arrays(entries, structure, variables)
    else:
        _add_elements(entries, SubElement(structure, "Outputs"), variables)
    indent(root)
    return _xml(root)


def _add_elements(entries: Element, outputs: Element, variables: Iterable[Variable]) -> None:
    """Add the variables of FMI 2.0, which has no arrays: each element is one."""
    for variable in variables:
        for index in np.ndindex(variable.shape):
            number = len(entries)
            entry = SubElement(entries, "ScalarVariable", _facts(variable, number))
            entry.set("name", variable.element(index))
            start = variable.start
            text = (
                start if isinstance(start, str) else _number(start.reshape(variable.shape)[index])
            )
            SubElement(entry, variable.kind, _value(variable, text))
            if variable.causality == "output":
                SubElement(outputs, "Unknown", index=str(number + 1))


def _add_arrays(entries: Element, structure: Element, variables: Iterable[Variable]) -> None:
    """Add the variables of FMI 3.0, arrays as such, and time."""
    for variable in variables:
        number, start = str(len(entries)), variable.start
        texts = [start] * variable.size if isinstance(start, str) else map(_number, start)
        entry = SubElement(entries, TYPES[variable.kind], _facts(variable, len(entries)))
        for key, text in _value(variable, " ".join(texts)).items():
            entry.set(key, text)
        for size in variable.shape:
            SubElement(entry, "Dimension", start=str(size))
        if variable.causality == "output":
            SubElement(structure, "Output", valueReference=number)
    time = {"name": "time", "valueReference": str(len(entries)), "causality": "independent"}
    time |= {"description": "time of the communication point"}
    SubElement(entries, "Float64", time | {"variability": "continuous", "unit": "s"})


def _facts(variable: Variable, number: int) -> dict[str, str]:
    """Return what both versions say of a variable."""
    usual = "continuous" if variable.kind == "Real" else "discrete"
    facts = {
        "name": variable.name,
        "valueReference": str(number),
        "description": variable.meaning,
        "causality": variable.causality,
        "variability": variable.variability or usual,
    }
    return facts if variable.causality == "input" else facts | {"initial": "exact"}


def _value(variable: Variable, start: str) -> dict[str, str]:
    """Return start, unit and range as both versions write them."""
    facts = {"start": start}
    if variable.unit:
        facts["unit"] = unit_name(variable.unit)
    if variable.range:
        facts |= zip(("min", "max"), map(_number, variable.range), strict=True)
    return facts


def unit_name(unit: str) -> str:
    """Return the name of a unit in the description: factors joined by points."""
    return unit.replace(" ", ".")


def _add_units(parent: Element, units: Iterable[str]) -> None:
    for unit in sorted(units):
        factor, exponents = base_unit(unit)
        base = {name: str(exponents[name]) for name in BASE_UNITS if exponents.get(name)}
        if factor != 1.0:
            base["factor"] = _number(factor)
        SubElement(SubElement(parent, "Unit", name=unit_name(unit)), "BaseUnit", base)


def base_unit(unit: str) -> tuple[float, dict[str, int]]:
    """Return factor and exponents of a unit such as "g s2/rad2" in base units."""
    above, _, below = unit.partition("/")
    factor, exponents = 1.0, dict.fromkeys(BASE_UNITS, 0)
    for text, sign in ((above, 1), (below, -1)):
        for part in text.split():
            name = part.rstrip("0123456789")
            if not name:  # 1, a unit of nothing
                continue
            power = sign * int(part[len(name) :] or 1)
            scale, made_of = MADE_OF[name]
            factor *= scale**power
            for base, exponent in made_of.items():
                exponents[base] += power * exponent
    return factor, exponents


def documentation(content: Made, layer: Layer) -> bytes:
    """Return a page with origin and caution."""
    page = Element("html")
    body = SubElement(page, "body")
    SubElement(body, "h1").text = xml_line(content.origin.title)
    rows = SubElement(body, "table")
    for key, value in origin_record(content, "").items():
        if value not in ("", TABLES_CAUTION):
            row = SubElement(rows, "tr")
            SubElement(row, "th").text = key
            text = ", ".join(value) if isinstance(value, list) else str(value)
            SubElement(row, "td").text = xml_line(text)
    SubElement(body, "p").text = layer.stepping
    SubElement(body, "p").text = TABLES_CAUTION
    return _xml(page)


def build_description(name: str) -> bytes:
    """Return sources/buildDescription.xml of FMI 3.0."""
    root = Element("fmiBuildDescription", fmiVersion="3.0")
    build = SubElement(root, "BuildConfiguration", modelIdentifier=name)
    files = SubElement(build, "SourceFileSet", language="C99")
    SubElement(files, "SourceFile", name="fmu.c")
    indent(root)
    return _xml(root)


def _number(value: Any) -> str:
    return repr(float(value))


def _xml(root: Element) -> bytes:
    return bytes(tostring(root, encoding="UTF-8", xml_declaration=True))
