"""Tables handed on as C code with its description, and as a co-simulation unit."""

from pathlib import Path

from ..base.errors import FailedError, InputError
from ..files.writing import bytes_writer, check_target, write_atomically, write_together
from ..tables.contents import Made
from ..tables.files import write_cdf, write_csv, write_json, write_netcdf
from ..tables.rule_set import RuleSet
from .a2l import a2l_text
from .c_code import c_files
from .fmu import fmu_bytes
from .preview_c_code import preview_c_files

A2L = {"a2l": ".a2l", "a2l-int16": ".a2l"}
FILES = {"json": ".json", "netcdf": ".nc", "cdf": ".cdfx", "fmu": ".fmu", "fmu3": ".fmu"} | A2L
FOLDERS = ("csv", "c", "c-int16")
KINDS = ("json", "netcdf", "cdf", "csv", "c", "c-int16", "a2l", "a2l-int16", "fmu", "fmu3")


def write_rule_set(
    rule_set: Made,
    path: str | Path,
    kind: str,
    *,
    overwrite: bool = False,
    elf: str | Path | None = None,
) -> list[Path]:
    """Write rule tables, or a predictive controller, as files, C code or a co-simulation unit.

    Parameters
    ----------
    rule_set
        What is handed on.
    path
        File to write, with the suffix of its kind; for "csv", "c" and "c-int16" a folder, which is
        made if it is not there.
    kind
        "json" (.json) and "netcdf" (.nc): lossless; "cdf" (.cdfx): ASAM CDF 2.0, lossless but for
        coverage; "csv": for a spreadsheet, rule tables with 12 digits; "c": C99 in float32;
        "c-int16": with rule tables as scaled int16; "a2l" and "a2l-int16" (.a2l): description of
        that code in ASAM MCD-2 MC; "fmu" and "fmu3" (.fmu): co-simulation unit of FMI 2.0 and
        3.0, built with the C compiler of this machine.
    overwrite
        Whether files that are there already are replaced.
    elf
        For "a2l" and "a2l-int16": the object into which the C code was linked, compiled for
        calibration. Addresses, sizes and byte order are those of its symbols; without it all
        addresses are 0.

    Returns
    -------
    list of Path
        The files written.

    Raises
    ------
    InputError
        The kind is unknown, the path does not fit it, a file exists already, or a value is not
        fit for use.
    FailedError
        The system refused to write, or there is no C compiler or it fails.
    """
    path = Path(path)
    _check_path(path, kind)
    if elf is not None and kind not in A2L:
        raise InputError(f"elf: says nothing with kind {kind}; leave it out, or give a2l")
    match kind:
        case "csv":
            return write_csv(rule_set, path, overwrite=overwrite)
        case "c" | "c-int16":
            return write_c(rule_set, path, int16=kind == "c-int16", overwrite=overwrite)
        case "json":
            write_json(rule_set, path, overwrite=overwrite)
        case "netcdf":
            write_netcdf(rule_set, path, overwrite=overwrite)
        case "cdf":
            write_cdf(rule_set, path, overwrite=overwrite)
        case "a2l" | "a2l-int16":
            write_a2l(rule_set, path, int16=kind != "a2l", elf=elf, overwrite=overwrite)
        case "fmu" | "fmu3":
            write_fmu(rule_set, path, version=2 if kind == "fmu" else 3, overwrite=overwrite)
    return [path]


def _check_path(path: Path, kind: str) -> None:
    """See that a path fits its kind, and make a folder that is wanted."""
    if kind not in KINDS:
        raise InputError(f"kind {kind!r}: is unknown; give one of {', '.join(KINDS)}")
    if kind in FILES and path.suffix.lower() != FILES[kind]:
        raise InputError(f"{path}: give a name that ends in {FILES[kind]}")
    if kind in FOLDERS:
        if path.exists() and not path.is_dir():
            raise InputError(f"{path}: is a file; give a folder")
        if not path.parent.is_dir():
            raise InputError(f"{path}: the folder {path.parent} does not exist; make it first")
        try:
            path.mkdir(exist_ok=True)
        except OSError as error:
            raise FailedError(f"{path}: the folder could not be made ({error.strerror})") from None


def write_c(
    content: Made, folder: str | Path, *, int16: bool = False, overwrite: bool = False
) -> list[Path]:
    """Write tables as C99 code into a folder that exists; errors as :func:`write_json`.

    Parameters
    ----------
    int16
        Keep rule tables as scaled int16 instead of float32.

    Returns
    -------
    list of Path
        Header and source, named by the title.
    """
    if isinstance(content, RuleSet):
        texts = c_files(content, int16)
    elif int16:
        raise InputError(f"kind c-int16: is for rule tables, these are {content.form.noun}; give c")
    else:
        texts = preview_c_files(content)
    files = {Path(folder) / name: text for name, text in texts.items()}
    write_together([(path, bytes_writer(text.encode())) for path, text in files.items()], overwrite)
    return list(files)


def write_a2l(
    content: Made,
    path: str | Path,
    *,
    int16: bool = False,
    elf: str | Path | None = None,
    overwrite: bool = False,
) -> None:
    """Describe the C code of :func:`write_c` in ASAM MCD-2 MC; errors as :func:`write_json`.

    Parameters
    ----------
    int16
        Whether it is the code with scaled int16.
    elf
        The linked object, as :func:`write_rule_set` says.
    """
    text = a2l_text(content, int16=int16, elf=None if elf is None else Path(elf))
    write_atomically(Path(path), bytes_writer(text.encode("ascii")), overwrite)


def write_fmu(
    content: Made, path: str | Path, *, version: int = 2, overwrite: bool = False
) -> None:
    """Write the controller as a co-simulation unit; errors as :func:`write_json`.

    Parameters
    ----------
    version
        2 or 3: FMI 2.0 or 3.0.

    Raises
    ------
    FailedError
        No C compiler is found, or it fails.
    """
    check_target(Path(path), overwrite)
    write_atomically(Path(path), bytes_writer(fmu_bytes(content, version)), overwrite)
