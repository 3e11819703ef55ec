"""`hybridopt export`: tables as files, C code or a co-simulation unit."""

from pathlib import Path

import click

from ..base.cautions import CAUTION_LINE
from .options import json_option, overwrite_option, path_option, refuse_idle, wrote

FORMATS = ("json", "netcdf", "cdf", "csv", "c", "c-int16", "a2l", "a2l-int16", "fmu", "fmu3")
EXAMPLES = """\b
Examples:
  hybridopt export rules.json --format csv --out tables
  hybridopt export tables --format c-int16 --out code
  hybridopt export tables --format a2l-int16 --elf ecu.elf --out rules.a2l
  hybridopt export rules.json --format fmu --out rules.fmu
  hybridopt export rules.json --values edited.cdfx --format json --out edited.json
"""


@click.command(short_help="Export tables as files or code.", epilog=EXAMPLES)
@click.argument("tables", metavar="TABLES")
@click.option(
    "--format",
    "kind",
    required=True,
    type=click.Choice(FORMATS),
    help="json and netcdf: lossless; cdf: ASAM CDF 2.0 (.cdfx), lossless but for coverage; csv: "
    "for a spreadsheet; c: C99 in float32; c-int16: with rule tables as scaled int16; a2l "
    "and a2l-int16: description of that code in ASAM MCD-2 MC (.a2l); fmu and fmu3: "
    "co-simulation unit of FMI 2.0 and 3.0, built with your C compiler.",
)
@path_option("--out", "PATH", "File to write; for csv, c and c-int16 a folder.", required=True)
@path_option(
    "--values", "FILE", "CDF 2.0 file (.cdfx) whose values take the place of those of TABLES."
)
@path_option(
    "--elf",
    "FILE",
    "For a2l: the ELF object into which the C code is linked, compiled for calibration; gives the "
    "addresses (default: all 0).",
)
@overwrite_option
@json_option
def export(
    tables: str,
    kind: str,
    out: Path,
    values: Path | None,
    elf: Path | None,
    overwrite: bool,
    as_json: bool,
) -> None:
    """Write TABLES (a .json, .nc or .cdfx file, or a folder of CSV files) in another form.

    TABLES hold rule tables or the maps of a predictive controller.

    CSV, JSON and CDF may be edited by hand and read again; they are then marked as edited.
    """
    from ..exports.files import write_rule_set
    from ..tables.files import read_tables
    from ..tables.table_cdf import with_cdf_values

    if not kind.startswith("a2l"):
        refuse_idle(f"with --format {kind}", "elf")
    rule_set = read_tables(tables)
    if values is not None:
        rule_set = with_cdf_values(rule_set, values)
    files = write_rule_set(rule_set, out, kind, overwrite=overwrite, elf=elf)
    if rule_set.origin.edited:
        click.echo("note: these tables were edited by hand since their training", err=True)
    wrote(as_json, files)
    if kind.startswith("a2l") and elf is None:
        click.echo("note: all addresses are 0; give the linked object as --elf", err=True)
    if not as_json:
        click.echo(CAUTION_LINE)
