"""The results and comparisons of one folder, and the page that shows two of them side by side."""

import os
import stat
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from html import escape
from pathlib import Path
from typing import Any

from ..base.cautions import CAUTION
from ..base.errors import InputError
from . import sections
from .charts import chart_data, safe_json, share_ranges
from .contents import Entry, read_comparison, read_entry
from .page import whole_page

MOST = 500  # files of a folder that are looked at
MOST_BYTES = 1_000_000_000  # of the traces that are remembered
LONGEST_FAULT = 300  # characters
SIDES = ("left", "right")


@dataclass(frozen=True)
class _Mark:
    """What says that a file has changed."""

    size: int
    time: int


@dataclass(frozen=True, eq=False)
class _Read:
    """What was read from a file, or why it is not shown."""

    mark: _Mark
    value: Any = None
    fault: str = ""


@dataclass(eq=False)
class Shelf:
    """What a folder holds: ordinary files in it, no links, no folders below it.

    Parameters
    ----------
    folder
        Where results (.nc) and comparisons (.json) lie. It is looked at again for every page.
    """

    folder: Path
    _known: dict[str, _Read] = field(default_factory=dict)

    def results(self) -> dict[str, Entry]:
        """Return the results by the name of their file."""
        return self._readable(".nc", read_entry)

    def comparisons(self) -> dict[str, Any]:
        """Return the rows of comparisons by the name of their file."""
        return self._readable(".json", read_comparison)

    def faults(self) -> dict[str, str]:
        """Return why files that were looked at are not shown, by their names."""
        return {name: read.fault for name, read in sorted(self._known.items()) if read.fault}

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
        drawn = [self._drawn(entry, side) for side, entry in shown.items()]
        body += ['<div class="beside">', *(section for section, _ in drawn), "</div>"]
        body += [self._comparisons(shown), self._not_shown(), sections.cautions_section()]
        runs = [data for _, data in drawn if data]
        share_ranges(runs)
        head = f'<p class="caution">{escape(CAUTION)}</p>'
        return whole_page(f"Results in {self.folder.name}", head, "\n".join(body), runs)

    def _drawn(self, entry: Entry, side: str) -> tuple[str, dict[str, Any]]:
        """Return section and chart data of a result; of one that cannot be drawn, why not."""
        try:
            data = chart_data(entry.result, side)
            safe_json(data)  # refuses what is no number
            return sections.run_section(entry, side), data
        except Exception as error:  # a forged file may hold anything
            fault = f"cannot be drawn ({type(error).__name__}); solve again"
            self._known[entry.name] = replace(self._known[entry.name], fault=fault)
            return f"<section><p>{escape(entry.name)}: {fault}.</p></section>", {}

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

    def _not_shown(self) -> str:
        """Return the list of files that are not shown, each with its fault."""
        items = [
            f"<li>{escape(name)}: {escape(fault)}</li>" for name, fault in self.faults().items()
        ]
        if not items:
            return ""
        head = f"Files that are not shown ({len(items)})"
        return f"<details open><summary>{head}</summary><ul>{''.join(items)}</ul></details>"

    def _readable(self, suffix: str, read: Callable[[Path], Any]) -> dict[str, Any]:
        """Read all files of a kind that can be read; what has not changed is remembered."""
        files = dict(self._files(suffix))
        for name in [n for n in self._known if n.lower().endswith(suffix) and n not in files]:
            del self._known[name]
        for name, mark in files.items():
            if name not in self._known or self._known[name].mark != mark:
                self._known.pop(name, None)  # its room is free again
                self._known[name] = self._read(name, mark, read)
        return {name: self._known[name].value for name in files if self._known[name].value}

    def _read(self, name: str, mark: _Mark, read: Callable[[Path], Any]) -> _Read:
        """Read a file, whatever it holds."""
        path = self.folder / name
        try:
            value = read(path)
        except InputError as error:
            return _Read(mark, fault=str(error).removeprefix(f"{path}: ")[:LONGEST_FAULT])
        except Exception as error:  # a forged file may hold anything
            return _Read(mark, fault=f"cannot be read ({type(error).__name__})")
        if self._room() + _room(value) > MOST_BYTES:
            return _Read(
                mark,
                fault="the files before it take the memory that there is for this page; move some "
                "to another folder and begin again",
            )
        return _Read(mark, value)

    def _room(self) -> int:
        """Return the bytes of all that is remembered."""
        return sum(_room(known.value) for known in self._known.values())

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


def _room(value: Any) -> int:
    """Return the bytes of the traces of a result; of anything else they do not count."""
    return int(value.result.dataset.nbytes) if isinstance(value, Entry) else 0


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
