"""Rule tables handed on as C code and as a co-simulation unit."""

from pathlib import Path

from ..files.writing import bytes_writer, check_target, write_atomically, write_together
from ..tables.rule_set import RuleSet
from .c_code import c_files
from .fmu import fmu_bytes


def write_c(
    rule_set: RuleSet, folder: str | Path, *, int16: bool = False, overwrite: bool = False
) -> list[Path]:
    """Write rule tables as C99 code into a folder that exists; errors as :func:`write_json`.

    Parameters
    ----------
    int16
        Keep the tables as scaled int16 instead of float32.

    Returns
    -------
    list of Path
        Header and source, named by the title.
    """
    files = {Path(folder) / name: text for name, text in c_files(rule_set, int16).items()}
    write_together([(path, bytes_writer(text.encode())) for path, text in files.items()], overwrite)
    return list(files)


def write_fmu(rule_set: RuleSet, path: str | Path, *, overwrite: bool = False) -> None:
    """Write the rule controller as a co-simulation unit (FMI 2.0); errors as :func:`write_json`.

    Raises
    ------
    FailedError
        No C compiler is found, or it fails.
    """
    check_target(Path(path), overwrite)
    write_atomically(Path(path), bytes_writer(fmu_bytes(rule_set)), overwrite)
