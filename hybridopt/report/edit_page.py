"""The page of rule tables under edit: one file that needs no other, and no network but its own."""

from html import escape
from string import Template
from typing import TYPE_CHECKING

from ..base.cautions import TABLES_CAUTION
from ..distillation.drive_figures import HELD_SHORT
from ..text.summary import COMFORT_WORDS
from .charts import safe_json
from .page import asset, script_hash

if TYPE_CHECKING:
    from .edit_requests import EditDesk

SCRIPTS = tuple(f"edit{part}.js" for part in ("_pictures", "_lines", "_grid", "_outcome", ""))
"""Parts of the page's script, in this order."""
PASSED = {
    "torque_rise_limit_s": ("torque_rise_passed_s", "rise passed s"),
    "torque_fall_limit_s": ("torque_fall_passed_s", "fall passed s"),
}
COMFORT = dict(
    entry
    for name, text in COMFORT_WORDS.items()
    for entry in ((name, f"{text} s"), PASSED.get(name))
    if entry
) | {HELD_SHORT: "gears left too soon"}
"""Figures of comfort of a drive, and their words."""


def edit_page(desk: "EditDesk", token: str) -> str:
    """Return the page.

    Parameters
    ----------
    desk
        What is edited.
    token
        What the page's requests bring along.

    Notes
    -----
    The page may run only the script whose hash it states, and speak only to its own address.
    """
    session = desk.session
    driven = next(iter(session.now.driven.values()))
    origin, script = session.opened.origin, "\n".join(asset(name) for name in SCRIPTS)
    known = {
        "token": token,
        "tables": desk.tables(),
        "drives": list(session.drives.cases),
        "folder": str(desk.folder),
        "comfort": [[name, COMFORT[name]] for name in COMFORT if name in driven.comfort],
    }
    return Template(asset("edit.html")).substitute(
        title=escape(f"Rule tables: {origin.title or 'without a title'}"),
        driveline=escape(origin.driveline),
        folder=escape(str(desk.folder)),
        caution=escape(TABLES_CAUTION),
        style=asset("edit.css"),
        script=script,
        script_hash=script_hash(script),
        known=safe_json(known),
    )
