"""`hybridopt verify`: rule tables in closed loop on any cycles, against the bound of each."""

import json
from pathlib import Path
from typing import Any

import click

from ..files.writing import file_stem
from .output_folder import make_folder, plan_files
from .progress_bar import progress_bar
from .settings_options import make_settings, settings_options

EXAMPLES = """\b
Examples:
  hybridopt verify rules.json udds hwfet
  hybridopt verify rules.json nedc --change "mass +10 %" --change "grade +1 %"
  hybridopt verify edited_tables udds --all-changes --out results
"""


@click.command(short_help="Drive rule tables on cycles, against the bound.", epilog=EXAMPLES)
@click.argument("tables", type=click.Path(path_type=Path), metavar="TABLES")
@click.argument("cycles", nargs=-1, required=True, metavar="CYCLE...")
@click.option(
    "--driveline",
    default="full",
    metavar="NAME|FILE",
    help="Demo driveline or TOML file (default full).",
)
@click.option(
    "--change",
    "changes",
    multiple=True,
    metavar="NAME",
    help="Also drive with this change; a wrong name lists all.",
)
@click.option("--all-changes", is_flag=True, help="Drive with every change, each on its own.")
@click.option(
    "--out",
    type=click.Path(path_type=Path),
    metavar="FOLDER",
    help="Write the checks there (.csv).",
)
@click.option("--overwrite", is_flag=True, help="Replace files that are there already.")
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object, nothing else.")
@click.option("--quiet", is_flag=True, help="Print no progress on stderr.")
@settings_options
def verify(
    tables: Path,
    cycles: tuple[str, ...],
    driveline: str,
    changes: tuple[str, ...],
    all_changes: bool,
    out: Path | None,
    overwrite: bool,
    as_json: bool,
    quiet: bool,
    **given: Any,
) -> None:
    """Drive each CYCLE with rule TABLES, and measure them against optimum and bound.

    TABLES are a .json or .nc file or a folder of CSV files, also edited by hand. Cycles they were
    trained on are shown apart from unseen ones.
    """
    from ..distillation.verify import CHANGES
    from ..distillation.verify import verify as run
    from ..files.writing import write_together
    from ..inputs.cycle import read_cycle
    from ..inputs.driveline_file import read_driveline
    from ..tables.files import read_rule_set
    from ..text.verification import check_record, checks_writer, verification_text

    settings = make_settings(given)
    rules, vehicle = read_rule_set(tables), read_driveline(driveline)
    tracks = [read_cycle(cycle) for cycle in cycles]
    files = plan_files(out, f"verify_{file_stem(tables.stem)}", (".csv",), overwrite)
    wanted = tuple(CHANGES) if all_changes else changes
    with progress_bar("verifying", hidden=quiet or as_json) as progress:
        checks = run(rules, tracks, vehicle, settings, wanted, progress)
    if files:
        make_folder(files[0].parent)
        write_together([(files[0], checks_writer(checks))], overwrite)
    if as_json:
        records = [check_record(check) for check in checks]
        click.echo(json.dumps({"checks": records, "files": [*map(str, files)]}, allow_nan=False))
        return
    if rules.origin.edited:
        click.echo("These tables were edited by hand since they were made.\n")
    click.echo(verification_text(checks))
    for path in files:
        click.echo(f"wrote {path}")
