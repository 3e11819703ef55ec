"""`hybridopt export`: rule tables as files, C code or a co-simulation unit."""

from pathlib import Path
from typing import TYPE_CHECKING

import click

from .options import check_file, overwrite_option, path_option
from .output_folder import check_folder, make_folder

if TYPE_CHECKING:
    from ..tables.rule_set import RuleSet

EXAMPLES = """\b
Examples:
  hybridopt export rules.json --format csv --out tables
  hybridopt export tables --format c-int16 --out code
  hybridopt export rules.json --format fmu --out rules.fmu
"""
FILES = {"json": ".json", "netcdf": ".nc", "fmu": ".fmu"}
FORMATS = ("json", "netcdf", "csv", "c", "c-int16", "fmu")


@click.command(short_help="Export rule tables as files or code.", epilog=EXAMPLES)
@click.argument("tables", metavar="TABLES")
@click.option(
    "--format",
    "kind",
    required=True,
    type=click.Choice(FORMATS),
    help="json and netcdf: lossless; csv: for a spreadsheet, 12 digits; c: C99 in "
    "float32; c-int16: with tables as scaled int16; fmu: co-simulation unit, FMI 2.0, "
    "built with your C compiler.",
)
@path_option("--out", "PATH", "File to write; for csv, c and c-int16 a folder.", required=True)
@overwrite_option
def export(tables: str, kind: str, out: Path, overwrite: bool) -> None:
    """Write TABLES (a .json or .nc file, or a folder of CSV files) in another form.

    CSV and JSON may be edited by hand and read again; they are then marked as edited.
    """
    from ..tables.files import read_rule_set

    if kind in FILES:
        check_file("--out", out, (FILES[kind],), overwrite)
    else:
        check_folder(out)
    rule_set = read_rule_set(tables)
    if kind not in FILES:
        make_folder(out)
    files = _write(rule_set, kind, out, overwrite)
    if rule_set.origin.edited:
        click.echo("note: these tables were edited by hand since their training", err=True)
    for path in files:
        click.echo(f"wrote {path}")
    click.echo("Benchmark result, not a released calibration: verify on bench and closed track.")


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
