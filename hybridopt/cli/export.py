"""`hybridopt export`: hands rule tables on as files, C code or a co-simulation unit."""

from pathlib import Path
from typing import TYPE_CHECKING

import click

from ..base.errors import InputError
from .output_folder import make_folder

if TYPE_CHECKING:
    from ..tables.rule_set import RuleSet

EXAMPLES = """\b
Examples:
  hybridopt export rules.json --format csv --out tables
  hybridopt export tables --format c-int16 --out code
  hybridopt export rules.json --format fmu --out rules.fmu
"""
FILES = {"json": ".json", "netcdf": ".nc", "fmu": ".fmu"}
FOLDERS = ("csv", "c", "c-int16")


@click.command(short_help="Hand rule tables on as files or code.", epilog=EXAMPLES)
@click.argument("tables", metavar="TABLES")
@click.option(
    "--format",
    "kind",
    required=True,
    type=click.Choice(["json", "netcdf", "csv", "c", "c-int16", "fmu"]),
    help="json and netcdf: lossless; csv: for a spreadsheet, 12 digits; c: C99 in "
    "float32; c-int16: with tables as scaled int16; fmu: co-simulation unit, FMI 2.0, "
    "built with your C compiler.",
)
@click.option(
    "--out",
    required=True,
    type=click.Path(path_type=Path),
    metavar="PATH",
    help="File to write; for csv, c and c-int16 a folder.",
)
@click.option("--overwrite", is_flag=True, help="Replace files that are there already.")
def export(tables: str, kind: str, out: Path, overwrite: bool) -> None:
    """Write TABLES (a .json or .nc file, or a folder of CSV files) in another form.

    CSV and JSON may be edited by hand and read again; they are then marked as edited.
    """
    from ..tables.files import read_rule_set

    _check_out(kind, out)
    rule_set = read_rule_set(tables)
    if kind in FOLDERS:
        make_folder(out)
    files = _write(rule_set, kind, out, overwrite)
    if rule_set.origin.edited:
        click.echo("note: these tables were edited by hand since their training", err=True)
    for path in files:
        click.echo(f"wrote {path}")
    click.echo("Benchmark result, not a released calibration: verify on bench and closed track.")


def _check_out(kind: str, out: Path) -> None:
    if kind in FILES and out.suffix.lower() != FILES[kind]:
        raise InputError(f"--out {out}: give a name that ends in {FILES[kind]}")
    if kind in FOLDERS and out.exists() and not out.is_dir():
        raise InputError(f"--out {out}: is a file; give a folder")
    if kind in FOLDERS and not out.parent.is_dir():
        raise InputError(f"--out {out}: the folder {out.parent} does not exist; make it first")


def _write(rule_set: "RuleSet", kind: str, out: Path, overwrite: bool) -> list[Path]:
    from ..exports.files import write_c, write_fmu
    from ..tables.files import write_csv, write_json, write_netcdf

    match kind:
        case "csv":
            return write_csv(rule_set, out, overwrite=overwrite)
        case "c" | "c-int16":
            return write_c(rule_set, out, int16=kind == "c-int16", overwrite=overwrite)
        case "json":
            write_json(rule_set, out, overwrite=overwrite)
        case "netcdf":
            write_netcdf(rule_set, out, overwrite=overwrite)
        case "fmu":
            write_fmu(rule_set, out, overwrite=overwrite)
    return [out]
