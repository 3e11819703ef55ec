"""Optima distilled into the predictive controller: its maps, and the set that is handed on."""

import dataclasses
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from importlib import metadata

from ..base.progress import Progress, silent
from ..controllers.preview import Preview
from ..evaluation.case import Case
from ..foresight.preview_maps import make_preview_maps
from ..inputs.cycle import Cycle
from ..inputs.driveline import Driveline
from ..problem.settings import Settings
from ..tables.preview_set import PreviewSet, make_preview_set
from ..tables.rule_set import Origin
from .distil import check_names, training_hash, training_optima


@dataclass(frozen=True, eq=False)
class DistilledPreview:
    """A predictive controller and what it was made from.

    Attributes
    ----------
    content : the controller with its maps and origin
    cases : training cycles with their optima, by name
    """

    content: PreviewSet
    cases: Mapping[str, Case]


def distil_preview(
    cycles: Sequence[Cycle],
    driveline: Driveline,
    settings: Settings | None = None,
    preview: Preview | None = None,
    title: str = "",
    progress: Progress = silent,
) -> DistilledPreview:
    """Make a predictive controller from the optima of training cycles.

    Parameters
    ----------
    cycles
        Training cycles, with different names.
    driveline
        The vehicle.
    settings
        As for :func:`hybridopt.solve_cycle`; what they charge and forbid goes into its files.
    preview
        Its parameters, such as horizon and step; maps are made anew.
    title
        Name of it, for people.
    progress
        Called with the share done, 0 to 1.

    Returns
    -------
    DistilledPreview
        The controller in `made.content`, which :func:`hybridopt.write_rule_set` writes.

    Raises
    ------
    InputError
        There is no cycle, or two share a name.
    InfeasibleError
        A cycle cannot be driven.
    """
    names = check_names(cycles)
    settings = (settings or Settings()).resolved(driveline)
    cases = training_optima(cycles, driveline, settings, progress)
    maps = make_preview_maps([case.optimum for case in cases])
    origin = Origin(
        title=title or f"{driveline.name} preview",
        driveline=driveline.name,
        cycles=tuple(names),
        training=training_hash(cycles, driveline, settings),
        version=metadata.version("hybridopt"),
    )
    controller = dataclasses.replace(preview or Preview(), maps=maps)
    content = make_preview_set(controller, driveline, settings, origin)
    return DistilledPreview(content, dict(zip(names, cases, strict=True)))
