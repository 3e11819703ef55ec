"""A desk for the page of rule tables under edit, on short cycles of the plain driveline."""

from makers import plain_driveline
from rule_tables import hand_made

from hybridopt import Settings, read_cycle
from hybridopt.distillation.cell_worth import STEPS
from hybridopt.distillation.table_drives import TableDrives, solve_cases
from hybridopt.report.edit_requests import EditDesk
from hybridopt.report.edit_session import EditSession

PLAIN = plain_driveline()
SETTINGS = Settings(soc_points=51, splits=9)


def cases(names=("ece15", "eudc")):
    """Return solved cycles by name."""
    return solve_cases(hand_made(), [read_cycle(name) for name in names], PLAIN, SETTINGS)


def desk(solved, folder, rules=None):
    """Return a desk on tables that are as opened."""
    session = EditSession(rules or hand_made(), TableDrives(solved))
    return EditDesk(session, folder, STEPS)
