"""`hybridopt explore`: the results of a folder as a page on this machine."""

import json
import os.path
from pathlib import Path

import click

from ..base.errors import InputError
from .options import json_option
from .serving import serve

EXAMPLES = """\b
Examples:
  hybridopt explore results
"""


@click.command(short_help="Look at a folder of results in a browser.", epilog=EXAMPLES)
@click.argument("folder", type=click.Path(path_type=Path), metavar="FOLDER")
@json_option
def explore(folder: Path, as_json: bool) -> None:
    """Serve the results (.nc) and comparisons (.json) in FOLDER, two side by side.

    The page is for this machine only (loopback address, a free port) and changes nothing. Links
    and folders within FOLDER are left out. Ctrl-C ends it.
    """
    if not os.path.isdir(folder):
        raise InputError(f"{folder}: is no folder; give one with results (.nc)")
    from ..report.server import PageServer

    def tell(server: PageServer) -> str:
        if as_json:
            return json.dumps({"address": server.address, "folder": str(folder)})
        return f"{server.address} shows {folder}; Ctrl-C ends it"

    serve(lambda: PageServer(folder.resolve()), tell, lambda: "ended")
