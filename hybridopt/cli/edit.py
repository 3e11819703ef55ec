"""`hybridopt edit`: a page on this machine to edit rule tables while the drives are driven."""

import json
from pathlib import Path
from typing import Any

import click

from ..base.errors import InputError
from ..base.progress import part_of
from .options import Output, driveline_option, json_option, path_option, quiet_option
from .serving import serve
from .settings_options import make_settings, settings_options
from .tracks import achievable_option, read_tracks
from .worth import step_options, take_steps

EXAMPLES = """\b
Examples:
  hybridopt edit rules.json wltc_class3b artemis_urban
  hybridopt edit rules.json udds hwfet nedc --save-in tables
"""


@click.command(short_help="Edit rule tables in a browser, driven live.", epilog=EXAMPLES)
@click.argument("tables", type=click.Path(path_type=Path), metavar="TABLES")
@click.argument("cycles", nargs=-1, required=True, metavar="CYCLE...")
@driveline_option
@path_option("--save-in", "FOLDER", "Folder for saved tables (default: that of TABLES).")
@step_options
@achievable_option
@json_option
@quiet_option
@settings_options
def edit(
    tables: Path,
    cycles: tuple[str, ...],
    driveline: str,
    save_in: Path | None,
    achievable: bool,
    as_json: bool,
    quiet: bool,
    **given: Any,
) -> None:
    """Serve a page to edit rule TABLES: with every change all CYCLEs are driven again.

    First each cycle is solved, for its bound. The page shows fuel, gap to the bound, starts,
    shifts and SoC against the tables as opened, saves to JSON or CSV, and is for this machine only
    (loopback address, a free port, a secret in the address). Ctrl-C ends it; what is not saved is
    lost.
    """
    from ..distillation.table_drives import TableDrives, solve_cases
    from ..inputs.driveline_file import read_driveline
    from ..report.edit_requests import EditDesk
    from ..report.edit_server import EditServer
    from ..report.edit_session import EditSession
    from ..tables.files import read_rule_set

    output = Output(None, False, as_json, quiet)
    steps = take_steps(given)
    settings = make_settings(given)
    vehicle = read_driveline(driveline)
    rule_set = read_rule_set(tables)
    folder = (save_in or tables.parent).resolve()
    if not folder.is_dir():
        raise InputError(f"--save-in {folder}: is no folder; make it first")
    tracks = read_tracks(cycles, vehicle, settings, achievable, output.silent)
    with output.progress("solving for the bounds") as progress:
        cases = solve_cases(rule_set, tracks, vehicle, settings, part_of(progress, 0.0, 0.95))
        session = EditSession(rule_set, TableDrives(cases))

    def tell(server: EditServer) -> str:
        if as_json:
            return json.dumps({"address": server.address, "folder": str(folder)})
        return f"{server.address} edits {tables}; Ctrl-C ends it"

    def end() -> str:
        return "ended; unsaved changes are lost" if session.unsaved else "ended"

    serve(lambda: EditServer(EditDesk(session, folder, steps)), tell, end)
