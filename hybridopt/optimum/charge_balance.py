"""Charge balance of a drive as regulations judge it, and its fuel and CO2 corrected for it.

UN GTR No. 15 and UN R154, Annex 8, Appendix 2 (from memory): c is the change of stored energy over
the energy of the fuel; above a limit set by the phases driven a drive that discharged is corrected
along a straight line whose slope K comes of drives on both sides of the balance. SAE J1711 (2023)
corrects all drives. 40 CFR 1066.501: fuel and CO2 may be corrected so, pollutants not.
"""

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    import xarray as xr

    from ..inputs.cycle import Cycle
    from ..inputs.driveline import Fuel

LIMITS = {"wltc_class3a": 0.005, "wltc_class3b": 0.005}  # of the fuel energy, all four phases
BALANCE_LIMIT = 0.01  # of the fuel energy, as for three phases, where none is named for the cycle
VALID_SHARE = 0.03  # of the fuel energy: a straight line is out by some 0.1 % there
WH = 3600.0  # J


def balance_share(energy: float, fuel: float, heating_value: float) -> float:
    """Return the criterion c = |change of stored energy| / fuel energy, dimensionless.

    Parameters
    ----------
    energy
        Stored energy away from what was asked for at the end, J.
    fuel
        g.
    heating_value
        J/g.
    """
    return abs(energy) / max(fuel * heating_value, 1e-12)


def charge_totals(
    trace: "xr.Dataset",
    fuel: "Fuel",
    cycle: "Cycle",
    totals: dict[str, Any],
    fuel_per_energy: float,
) -> dict[str, float]:
    """Return a drive's :data:`hybridopt.base.nomenclature.CHARGE_TOTALS`.

    Parameters
    ----------
    trace
        The replayed drive.
    fuel, cycle
        Fuel of the driveline, and what was driven.
    totals
        `fuel_g` and `co2_g_per_km` of the drive.
    fuel_per_energy
        g/J, K: what one more joule at the end costs.
    """
    change = -float((trace.stored_power * trace.dt).sum())
    share = balance_share(change, totals["fuel_g"], fuel.heating_value)
    corrected = totals["fuel_g"] - fuel_per_energy * change
    per_gram = totals["co2_g_per_km"] / max(totals["fuel_g"], 1e-12)
    return {
        "charge_change_Wh": change / WH,
        "charge_balance_percent": 100.0 * share,
        "charge_limit_percent": 100.0 * LIMITS.get(cycle.name, BALANCE_LIMIT),
        "fuel_per_kWh_g": fuel_per_energy * 1e3 * WH,
        "fuel_corrected_g": corrected,
        "co2_corrected_g_per_km": corrected * per_gram,
    }


def verdict(attrs: dict[str, Any]) -> str:
    """Say whether a correction for charge is due, from the totals of a result; one sentence.

    Parameters
    ----------
    attrs
        With :data:`hybridopt.base.nomenclature.CHARGE_TOTALS`.
    """
    share, limit = attrs["charge_balance_percent"], attrs["charge_limit_percent"]
    if share <= limit:
        return "no correction due"
    if attrs["fuel_corrected_g"] <= 0.0 or share > 100.0 * VALID_SHARE:
        return "too far off for a correction along a line; solve for the end wanted"
    corrected = f"{attrs['fuel_corrected_g']:.1f} g, {attrs['co2_corrected_g_per_km']:.1f} g CO2/km"
    if attrs["charge_change_Wh"] > 0.0:
        return f"charged: correction allowed, to {corrected}"
    return f"correction due, to {corrected}"
