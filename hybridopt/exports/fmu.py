"""Tables as a co-simulation unit of the Functional Mock-up Interface 2.0.

The unit is the float32 C code with a thin layer around it, compiled by the platform's compiler.
"""

import os
import platform
import shlex
import shutil
import subprocess
import sys
import tempfile
import uuid
import zipfile
from collections.abc import Mapping
from io import BytesIO
from pathlib import Path
from xml.etree.ElementTree import Element, SubElement, indent, tostring

from ..base.cautions import TABLES_CAUTION
from ..base.errors import FailedError
from ..base.platform import on_windows
from ..tables.contents import Made
from ..tables.origin import one_line, origin_record, xml_line
from ..tables.table_json import json_text
from .c_text import comment_text, template
from .fmu_variables import Layer, Variable, layer_of

COMPILERS = ("cc", "gcc", "clang")
FLAGS = ("-std=c99", "-O2", "-Wall", "-Wextra", "-fvisibility=hidden")
PATIENCE = 120.0  # s that a compiler may take
STAMP = (1980, 1, 1, 0, 0, 0)  # on all files: the same tables give the same unit
SYSTEMS = {
    "linux": ("linux", "so", ("-shared", "-fPIC")),
    "darwin": ("darwin", "dylib", ("-dynamiclib",)),
    "win32": ("win", "dll", ("-shared",)),
}


UNITS = {
    "s": {"s": "1"},
    "m/s": {"m": "1", "s": "-1"},
    "rad/s": {"rad": "1", "s": "-1"},
    "N.m": {"kg": "1", "m": "2", "s": "-2"},
    "1": {},
}


def fmu_bytes(content: Made) -> bytes:
    """Return the unit as the content of its .fmu file.

    It holds the tables as JSON in `resources`, and its own source.

    Raises
    ------
    InputError
        A value is not fit for use.
    FailedError
        No C compiler is found, or it fails.
    """
    layer = layer_of(content)
    sources, name = fmu_sources(content), layer.name
    folder, suffix, library = _compiled(sources, name)
    parts = {
        "modelDescription.xml": _description(content, layer),
        f"binaries/{folder}/{name}.{suffix}": library,
        f"resources/{layer.resource}.json": json_text(content).encode(),
        "documentation/index.html": _documentation(content, layer),
        **{f"sources/{file}": text.encode() for file, text in sources.items()},
    }
    memory = BytesIO()
    with zipfile.ZipFile(memory, "w", zipfile.ZIP_DEFLATED) as archive:
        for path, data in parts.items():
            archive.writestr(zipfile.ZipInfo(path, STAMP), data, zipfile.ZIP_DEFLATED)
    return memory.getvalue()


def fmu_sources(content: Made) -> dict[str, str]:
    """Return the C files of the unit by name."""
    layer, title = layer_of(content), content.origin.title
    fields = {
        "name": layer.name,
        "guid": _guid(content),
        "comment": " * " + comment_text(f"title: {title}"),
        "dt": layer.dt,
        **_cases(layer.variables),
    }
    layer_text, header = template("fmu.c").substitute(fields), template("fmi2.h").substitute()
    return {**layer.files, "fmu.c": layer_text, "fmi2.h": header}


def _cases(variables: tuple[Variable, ...]) -> dict[str, str]:
    """Return how the layer reaches each variable, by its kind."""
    lines: dict[str, list[str]] = {"Real": [], "Boolean": [], "Integer": []}
    for number, variable in enumerate(variables):
        case = f"    case {number}:\n        return &of->{variable.place};"
        lines[variable.kind].append(case)
    first = next(i for i, variable in enumerate(variables) if variable.causality == "output")
    starts = [v for v in variables if v.start not in ("0", "false")]
    return {
        "references": f"enum {{ ENGINE_ON = {first} }};",
        "starts": "\n".join(
            f"    of->{v.place} = {v.start}{'F' if v.kind == 'Real' else ''};" for v in starts
        ),
        "reals": "\n".join(lines["Real"]),
        "booleans": "\n".join(lines["Boolean"]),
        "integers": "\n".join(lines["Integer"]),
    }


def _guid(content: Made) -> str:
    """Return an identifier that is the same for the same tables and origin, and no others."""
    return f"{{{uuid.uuid5(uuid.NAMESPACE_OID, json_text(content))}}}"


def _compiled(sources: Mapping[str, str], name: str) -> tuple[str, str, bytes]:
    """Return folder of the platform, suffix and content of the shared library."""
    if sys.platform not in SYSTEMS:
        raise FailedError(f"co-simulation units are not built on {sys.platform}; use Linux")
    system, suffix, flags = SYSTEMS[sys.platform]
    if platform.machine().lower() in ("arm64", "aarch64") and system == "linux":
        raise FailedError("FMI 2.0 has no name for Linux on ARM; export c, or build on x86-64")
    compiler = find_compiler()
    with tempfile.TemporaryDirectory(prefix="hybridopt-") as place:
        for file, text in sources.items():
            (Path(place) / file).write_text(text, encoding="ascii", newline="\n")
        out = Path(place) / f"{name}.{suffix}"
        command = [*compiler, *FLAGS, *flags, f"{name}.c", "fmu.c", "-o", out.name]
        _run(command, place)
        if not out.is_file():
            raise FailedError(f"the compiler {compiler[0]} gave no library; set CC to another")
        return f"{system}{64 if sys.maxsize > 2**32 else 32}", suffix, out.read_bytes()


def find_compiler() -> list[str]:
    """Return the command of the C compiler: that of the variable CC, or the first one found.

    Raises
    ------
    FailedError
        There is none.
    """
    given = shlex.split(os.environ.get("CC", ""), posix=not on_windows())
    for command in [given] if given else [[name] for name in COMPILERS]:
        if shutil.which(command[0]):
            return command
    tried = given[0] if given else ", ".join(COMPILERS)
    raise FailedError(
        f"no C compiler is found (tried {tried}); install one, name yours in the variable CC, or "
        "export c and build elsewhere"
    )


def _run(command: list[str], folder: str) -> None:
    try:
        done = subprocess.run(
            command,
            cwd=folder,
            capture_output=True,
            encoding="utf-8",
            errors="replace",
            timeout=PATIENCE,
            check=False,
        )
    except (OSError, subprocess.TimeoutExpired) as error:
        raise FailedError(f"the compiler {command[0]} failed ({type(error).__name__})") from None
    if done.returncode:
        lines = [line for line in done.stderr.splitlines() if "error" in line]
        said = one_line((lines or done.stderr.splitlines() or ["nothing"])[0])
        raise FailedError(f"the compiler {command[0]} failed and said: {said[:200]}")


def _description(content: Made, layer: Layer) -> bytes:
    """Return modelDescription.xml."""
    origin, name = content.origin, layer.name
    root = Element(
        "fmiModelDescription",
        fmiVersion="2.0",
        modelName=xml_line(origin.title) or name,
        guid=_guid(content),
        description=f"{layer.noun} of a parallel hybrid driveline; training "
        f"{origin.training or 'none'}. {TABLES_CAUTION}",
        version=xml_line(origin.version),
        generationTool=xml_line(f"hybridopt {origin.version}"),
        variableNamingConvention=layer.naming,
        numberOfEventIndicators="0",
    )
    unit = SubElement(
        root,
        "CoSimulation",
        modelIdentifier=name,
        canHandleVariableCommunicationStepSize="true",
        canNotUseMemoryManagementFunctions="true",
    )
    files = SubElement(unit, "SourceFiles")
    for file in (f"{name}.c", "fmu.c"):
        SubElement(files, "File", name=file)
    units = SubElement(root, "UnitDefinitions")
    for text, base in UNITS.items():
        SubElement(SubElement(units, "Unit", name=text), "BaseUnit", base)
    variables = SubElement(root, "ModelVariables")
    outputs = SubElement(SubElement(root, "ModelStructure"), "Outputs")
    for number, variable in enumerate(layer.variables):
        _add_variable(variables, number, variable)
        if variable.causality == "output":
            SubElement(outputs, "Unknown", index=str(number + 1))
    indent(root)
    return _xml(root)


def _add_variable(parent: Element, number: int, variable: Variable) -> None:
    entry = SubElement(
        parent,
        "ScalarVariable",
        name=variable.name,
        valueReference=str(number),
        description=variable.meaning,
        causality=variable.causality,
        variability="continuous" if variable.kind == "Real" else "discrete",
    )
    if variable.causality == "output":
        entry.set("initial", "exact")
    value = SubElement(entry, variable.kind, start=variable.start)
    if variable.unit:
        value.set("unit", variable.unit)


def _documentation(content: Made, layer: Layer) -> bytes:
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


def _xml(root: Element) -> bytes:
    return bytes(tostring(root, encoding="UTF-8", xml_declaration=True))
