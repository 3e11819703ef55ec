"""The results and comparisons of one folder, and the page that shows two of them side by side."""

import os
import stat
from collections.abc import Mapping
from dataclasses import dataclass, field
from html import escape
from pathlib import Path
from typing import Any

from ..base.cautions import CAUTION
from ..base.errors import InputError
from . import sections
from .charts import chart_data, share_ranges
from .contents import Entry, read_comparison, read_entry
from .page import whole_page

MOST = 500  # files of a folder that are looked at
SIDES = ("left", "right")


@dataclass(frozen=True)
class _Mark:
    """What says that a file has changed."""

    size: int
    time: int


@dataclass(eq=False)
class Shelf:
    """What a folder holds: ordinary files in it, no links, no folders below it.

    Parameters
    ----------
    folder
        Where results (.nc) and comparisons (.json) lie. It is looked at again for every page.
    """

    folder: Path
    _known: dict[str, tuple[_Mark, Any]] = field(default_factory=dict)

    def results(self) -> dict[str, Entry]:
        """Return the results by the name of their file."""
        return self._readable(".nc", read_entry)

    def comparisons(self) -> dict[str, Any]:
        """Return the rows of comparisons by the name of their file."""
        return self._readable(".json", read_comparison)

    def page(self, wanted: Mapping[str, str]) -> str | None:
        """Return the page of a choice, None where it asks for what is not there.

        Parameters
        ----------
        wanted
            File name for `left` and `right`; the first results when absent, none when empty.
        """
        results = self.results()
        names = list(results)
        usual = dict(zip(SIDES, names, strict=False))
        chosen = {side: wanted.get(side, usual.get(side, "")) for side in SIDES}
        if any(name and name not in results for name in chosen.values()):
            return None
        shown = {side: results[name] for side, name in chosen.items() if name}
        body = [_choice(results, chosen)]
        if not results:
            body.append("<p>There is no result (.nc) in this folder; solve into it with --out.</p>")
        body += ['<div class="beside">']
        body += [sections.run_section(entry, side) for side, entry in shown.items()]
        body += ["</div>", self._comparisons(shown), sections.cautions_section()]
        runs = [chart_data(entry.result, side) for side, entry in shown.items()]
        share_ranges(runs)
        head = f'<p class="caution">{escape(CAUTION)}</p>'
        return whole_page(f"Results in {self.folder.name}", head, "\n".join(body), runs)

    def _comparisons(self, shown: Mapping[str, Entry]) -> str:
        """Return the table of all comparisons on the cycles that are shown."""
        cycles = {str(entry.result.dataset.attrs["cycle"]) for entry in shown.values()}
        rows = [
            score
            for scores in self.comparisons().values()
            for score in scores
            if score["cycle"] in cycles
        ]
        return sections.comparison_section(rows) if rows else ""

    def _readable(self, suffix: str, read: Any) -> dict[str, Any]:
        """Read all files of a kind that can be read; what has not changed is remembered."""
        found = {}
        for name, mark in self._files(suffix):
            if name not in self._known or self._known[name][0] != mark:
                try:
                    self._known[name] = mark, read(self.folder / name)
                except InputError:
                    self._known[name] = mark, None  # some other file
            if self._known[name][1] is not None:
                found[name] = self._known[name][1]
        return found

    def _files(self, suffix: str) -> list[tuple[str, _Mark]]:
        files = []
        try:
            with os.scandir(self.folder) as entries:
                for entry in entries:
                    facts = entry.stat(follow_symlinks=False)
                    if stat.S_ISREG(facts.st_mode) and entry.name.lower().endswith(suffix):
                        files.append((entry.name, _Mark(facts.st_size, facts.st_mtime_ns)))
        except OSError:
            return []
        return sorted(files, key=lambda file: file[0])[:MOST]


def _choice(results: Mapping[str, Entry], chosen: Mapping[str, str]) -> str:
    """Return the form that chooses what is shown."""
    fields = []
    for side in SIDES:
        options = ['<option value="">nothing</option>']
        for name, entry in results.items():
            mark = " selected" if chosen[side] == name else ""
            text = f"{entry.result.heading} ({name})"
            options.append(
                f'<option value="{escape(name, quote=True)}"{mark}>{escape(text)}</option>'
            )
        fields.append(f'<label>{side}<select name="{side}">{"".join(options)}</select></label>')
    return (
        f'<form class="choice" method="get" action="/">{"".join(fields)}'
        '<button type="submit">Show</button></form>'
    )
