"""`hybridopt audit`: whether a certificate proves what it says, without the solver."""

from pathlib import Path
from typing import Any

import click

from ..base.errors import FailedError
from .options import finish, flag_option, json_option, refuse_idle
from .settings_options import make_settings, settings_options

EXAMPLES = """\b
Examples:
  hybridopt audit udds.npz
  hybridopt audit udds.npz --cycle udds --driveline full
  hybridopt solve udds --certificate udds.npz
"""


@click.command(short_help="Check the certificate of a solve.", epilog=EXAMPLES)
@click.argument("file", type=click.Path(path_type=Path), metavar="FILE")
@click.option(
    "--cycle",
    metavar="CYCLE",
    help="Also compare the certificate's problem with that of this cycle, under the driveline and "
    "settings given.",
)
@click.option("--driveline", metavar="NAME|FILE", help="Driveline to compare with (default full).")
@json_option
@flag_option("--quiet", "Print no notes on stderr.")
@settings_options
def audit(
    file: Path, cycle: str | None, driveline: str | None, as_json: bool, quiet: bool, **given: Any
) -> None:
    """Check a certificate FILE of `hybridopt solve --certificate`.

    The bound is proved again, rounding counted, and the schedule driven again, by a short program
    of its own that shares nothing with the solver. It takes the choices of every step as they
    stand in the file: gear, engine class, battery power and cost. Whether these are those of a
    vehicle on a cycle is compared with --cycle, by the package's own physics. The exit code is 1
    when the certificate is false, 2 when it is damaged.
    """
    from ..optimum.certificate import check_certificate, problem_differs, read_certificate

    if cycle is None:
        refuse_idle("without --cycle", "driveline", *given)
    found = read_certificate(file)
    proved = check_certificate(found)
    if cycle is not None:
        from ..dp.heat import limited_heat
        from ..inputs.cycle import read_cycle
        from ..inputs.driveline_file import read_driveline
        from ..physics.demand import drive_demand
        from ..pipeline import state_problem

        drive, vehicle, heat = read_cycle(cycle), read_driveline(driveline or "full"), None
        stated = state_problem(drive, vehicle, make_settings(given))
        if stated.settings.thermal_limits:
            wanted, splits = drive_demand(vehicle, drive), stated.settings.splits
            fine = splits * found["about"]["pieces"]
            heat = limited_heat(vehicle, wanted, stated.points, splits, fine)
        if name := problem_differs(found, stated, heat):
            raise FailedError(
                f"{file}: its problem is not that of cycle {cycle}, driveline {vehicle.name} and "
                f"these settings: {name} differs; give what it was solved with"
            )
    about = found["about"]
    compared = f"compared with {cycle}" if cycle else "as it stands in the file"
    gap = 100.0 * (proved.cost - proved.bound) / max(abs(proved.bound), 1e-2)
    record = {
        "file": str(file),
        "cycle": about["cycle"],
        "driveline": about["driveline"],
        "problem": compared,
        "problem_sha256": about["problem_sha256"],
        "cost_g": proved.cost,
        "bound_g": proved.bound,
        "rounding_g": proved.slack,
        "gap_percent": gap,
        "soc_end": proved.soc_end,
        "ok": True,
    }
    if "leaves_out" in about:
        record["leaves_out"] = str(about["leaves_out"])
    text = (
        f"the certificate holds: {about['cycle']} with {about['driveline']}, problem {compared}\n"
        f"Schedule            {proved.cost:.4f} g   keeps all rules, ends at "
        f"{100.0 * proved.soc_end:.3f} % of SoC\n"
        f"Proved bound        {proved.bound:.4f} g   gap {gap:.4f} %, {proved.slack:.1e} g taken "
        "off for rounding"
    )
    if "leaves_out" in record:
        text += f"\nLeft out            {record['leaves_out']}"
    finish(as_json, [], lambda: record, lambda: text)
