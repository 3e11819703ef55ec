"""The catalyst: how long the engine runs until it is lit, and what it converts then."""

from dataclasses import dataclass
from typing import NamedTuple

from ..base.nomenclature import SPECIES
from .fields import quantity


class EmissionPrice(NamedTuple):
    """Price of what leaves the engine, g of fuel per g: while the catalyst is cold, and lit."""

    cold: float
    lit: float


@dataclass(frozen=True, eq=False, kw_only=True)
class Catalyst:
    """A catalyst that is lit once the engine has run for `heating_time` (s) in all.

    From then on it converts a share of each emission, before nothing. It stays lit. Without
    `heating_time` there is none.
    """

    heating_time: float | None = quantity("heating_time_s", low=0, high=1000, default=None)
    nox_conversion: float = quantity("nox_conversion", low=0, high=1, default=0.0)
    hc_conversion: float = quantity("hc_conversion", low=0, high=1, default=0.0)
    co_conversion: float = quantity("co_conversion", low=0, high=1, default=0.0)
    particulates_conversion: float = quantity("particulates_conversion", low=0, high=1, default=0.0)

    @property
    def passed(self) -> dict[str, float]:
        """Share of each emission that a lit catalyst lets through, by name."""
        return {name: 1.0 - getattr(self, f"{name}_conversion") for name in SPECIES}
