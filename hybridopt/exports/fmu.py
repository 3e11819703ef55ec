"""Tables as a co-simulation unit of the Functional Mock-up Interface, version 2.0 or 3.0.

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

import numpy as np

from ..base.errors import FailedError
from ..base.platform import on_windows
from ..tables.contents import Made
from ..tables.origin import one_line
from ..tables.table_json import json_text
from .c_text import comment_text, literal, template
from .fmu_description import build_description, description, documentation
from .fmu_variables import Layer, Variable, layer_of

COMPILERS = ("cc", "gcc", "clang")
FLAGS = ("-std=c99", "-O2", "-Wall", "-Wextra", "-fvisibility=hidden")
PATIENCE = 120.0  # s that a compiler may take
STAMP = (1980, 1, 1, 0, 0, 0)  # on all files: the same tables give the same unit
SYSTEMS = {
    "linux": ("linux", "so", ("-shared", "-fPIC")),
    "darwin": ("darwin", "dylib", ("-dynamiclib",)),
    "win32": ("windows", "dll", ("-shared",)),
}
"""Of each platform: its name in FMI 3.0, suffix of a library, flags of the compiler."""


def fmu_bytes(content: Made, version: int = 2) -> bytes:
    """Return the unit as the content of its .fmu file.

    It holds the tables as JSON in `resources`, and its own source.

    Parameters
    ----------
    content
        What drives.
    version
        2 or 3: of the interface.

    Raises
    ------
    InputError
        A value is not fit for use.
    FailedError
        No C compiler is found, or it fails.
    """
    layer, identity = layer_of(content), identity_of(content)
    sources, name = fmu_sources(content, version), layer.name
    folder, suffix, library = _compiled(sources, name, version)
    parts = {
        "modelDescription.xml": description(content, layer, identity, version),
        f"binaries/{folder}/{name}.{suffix}": library,
        f"resources/{layer.resource}.json": json_text(content).encode(),
        "documentation/index.html": documentation(content, layer),
        **{f"sources/{file}": text.encode() for file, text in sources.items()},
    }
    if version == 3:
        parts["sources/buildDescription.xml"] = build_description(name)
    memory = BytesIO()
    with zipfile.ZipFile(memory, "w", zipfile.ZIP_DEFLATED) as archive:
        for path, data in parts.items():
            archive.writestr(zipfile.ZipInfo(path, STAMP), data, zipfile.ZIP_DEFLATED)
    return memory.getvalue()


def fmu_sources(content: Made, version: int = 2) -> dict[str, str]:
    """Return the C files of the unit by name; `fmu.c` includes all others."""
    layer, title = layer_of(content), content.origin.title
    fields = {
        "name": layer.name,
        "guid": identity_of(content),
        "comment": " * " + comment_text(f"title: {title}"),
        "dt": layer.dt,
        **_cases(layer),
    }
    files = {"fmu.c": f"fmi{version}.c", f"fmi{version}.h": f"fmi{version}.h", "unit.h": "unit.h"}
    made = {file: template(name).substitute(fields) for file, name in files.items()}
    return {**layer.files, **made}


def _cases(layer: Layer) -> dict[str, str]:
    """Return how the layer reaches variables and parameters."""
    lines: dict[str, list[str]] = {"Real": [], "Boolean": [], "Integer": []}
    firsts = [0]
    for variable in layer.variables:
        begin, place = firsts[-1], f"of->now.{variable.place}"
        firsts.append(begin + variable.size)
        lines[variable.kind].append(
            f"    if (at - {begin}U < {variable.size}U) {{\n"
            f"        return &{place} + (at - {begin}U);\n    }}"
        )
    outputs = sum(v.size for v in layer.variables if v.causality == "input")
    starts = [v for v in layer.variables if v.start not in ("0", "false")]
    parameters = firsts[-1]
    firsts += (parameters + np.cumsum([v.size for v in layer.parameters])).tolist()
    begins = [first - parameters for first in firsts[len(layer.variables) :]]
    arrays = list(zip(layer.arrays, begins, strict=False))
    return {
        "outputs": str(outputs),
        "parameters": str(parameters),
        "values": str(begins[-1]),
        "time": str(len(firsts) - 1),
        "firsts": ",\n".join(f"    {first}U" for first in firsts),
        "table": ",\n".join(
            _parameter(variable, begin)
            for variable, begin in zip(layer.parameters, begins, strict=False)
        ),
        "starts": "\n".join(
            f"    of->now.{v.place} = {v.start}{'F' if v.kind == 'Real' else ''};" for v in starts
        ),
        "copies": "\n".join(
            f"    memcpy(to + {begin}, kept_tables.{of.places[0]},\n"
            f"           {of.row.values.size} * sizeof *to);"
            for of, begin in arrays
        ),
        "places": "\n".join(
            f"    of->at.{place} = (void *)(to + {begin});"
            for of, begin in arrays
            for place in of.places
        ),
        "reals": "\n".join(lines["Real"]),
        "booleans": "\n".join(lines["Boolean"]),
        "integers": "\n".join(lines["Integer"]),
    }


def _parameter(variable: Variable, begin: int) -> str:
    """Return the C text of a parameter: where its values begin, how many, their range, its kind."""
    assert variable.range is not None
    low, high = (literal(x) for x in variable.range)
    axis = "true" if variable.variability == "fixed" else "false"
    return f"    {{{begin}U, {variable.size}U, {low}, {high}, {axis}}}"


def identity_of(content: Made) -> str:
    """Return an identifier that is the same for the same tables and origin, and no others."""
    return f"{{{uuid.uuid5(uuid.NAMESPACE_OID, json_text(content))}}}"


def _compiled(sources: Mapping[str, str], name: str, version: int) -> tuple[str, str, bytes]:
    """Return folder of the platform, suffix and content of the shared library."""
    if sys.platform not in SYSTEMS:
        raise FailedError(f"co-simulation units are not built on {sys.platform}; use Linux")
    system, suffix, flags = SYSTEMS[sys.platform]
    folder = _platform(system, version)
    compiler = find_compiler()
    with tempfile.TemporaryDirectory(prefix="hybridopt-") as place:
        for file, text in sources.items():
            (Path(place) / file).write_text(text, encoding="ascii", newline="\n")
        out = Path(place) / f"{name}.{suffix}"
        command = [*compiler, *FLAGS, *flags, "fmu.c", "-o", out.name]
        _run(command, place)
        if not out.is_file():
            raise FailedError(f"the compiler {compiler[0]} gave no library; set CC to another")
        return folder, suffix, out.read_bytes()


def _platform(system: str, version: int) -> str:
    """Return the folder of binaries of this platform.

    Raises
    ------
    FailedError
        FMI 2.0 has no name for it.
    """
    arm = platform.machine().lower() in ("arm64", "aarch64")
    wide = sys.maxsize > 2**32
    if version == 3:
        machine = "aarch64" if arm else "x86_64" if wide else "x86"
        return f"{machine}-{system}"
    if arm and system == "linux":
        raise FailedError(
            "FMI 2.0 has no name for Linux on ARM; export fmu3 or c, or build on x86-64"
        )
    return f"{'win' if system == 'windows' else system}{64 if wide else 32}"


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
