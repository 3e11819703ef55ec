"""The report as a PDF, drawn by matplotlib alone."""

import textwrap
from collections.abc import Iterator
from io import BytesIO
from typing import TYPE_CHECKING, Any

from matplotlib.backends.backend_pdf import PdfPages
from matplotlib.figure import Figure

from ..base.cautions import CAUTIONS
from ..plots.axes import SIZE, new_figure, plain
from ..plots.colours import INK
from ..plots.rule_tables import rule_tables_figure
from ..plots.schedule import plot_schedule
from ..text.summary import summary
from . import words
from .pictures import pictures

if TYPE_CHECKING:
    from .contents import Contents, Entry

COLUMNS = 128  # letters in a line
LINES = 46  # on a page
LETTER = 9.0  # points


def report_pdf(contents: "Contents") -> bytes:
    """Return a report as PDF, A4 landscape; the same contents give the same bytes."""
    out = BytesIO()
    facts: dict[str, Any] = {"Title": words.title_of(contents), "CreationDate": None}
    with PdfPages(out, metadata=facts) as pages:
        for figure in _figures(contents):
            pages.savefig(figure)
    return out.getvalue()


def _figures(contents: "Contents") -> Iterator[Figure]:
    yield from _text_pages(words.title_of(contents), _front(contents))
    for entry in contents.entries:
        yield from _text_pages(entry.result.heading, _facts(entry))
        yield plot_schedule(entry.result)
        for picture in pictures(entry):
            yield picture.figure
    if contents.scores:
        yield from _text_pages("Controllers against the optimum", _scores(contents))
    if contents.rule_set is not None:
        yield rule_tables_figure(contents.rule_set)


def _front(contents: "Contents") -> list[str]:
    listed = [f"{entry.result.heading} ({entry.name})" for entry in contents.entries]
    listed += ["controllers against the optimum"] if contents.scores else []
    listed += ["rule tables"] if contents.rule_set is not None else []
    cautions, contained = ([f"- {text}" for text in texts] for texts in (CAUTIONS, listed))
    return ["Cautions", "", *cautions, "", "Contents", "", *contained]


def _facts(entry: "Entry") -> list[str]:
    result = entry.result
    lines = summary(result).splitlines()
    for title, rows in (
        ("Inputs and versions", words.input_rows(result)),
        ("Settings (SI)", words.setting_rows(result)),
    ):
        lines += ["", title]
        lines += [f"  {name:<30}{text}" for name, text in rows]
    lines += ["", "How to repeat it", f"  {words.repeat_command(result)}"]
    return lines + (["", entry.note] if entry.note else [])


def _scores(contents: "Contents") -> list[str]:
    heads = [textwrap.wrap(head, 10) for head in words.SCORE_HEADS]
    tall = max(len(head) for head in heads)
    rows = [[([""] * (tall - len(head)) + head)[i] for head in heads] for i in range(tall)]
    for row in words.score_rows(contents.scores):
        rows.append([textwrap.shorten(cell, 22, placeholder="...") for cell in row])
    form = "{:<23}" * 2 + "{:>10}" * (len(heads) - 2)
    return [form.format(*row) for row in rows]


def _text_pages(title: str, lines: list[str]) -> Iterator[Figure]:
    """Yield pages of text; long lines are broken."""
    broken: list[str] = []
    for line in lines:
        broken += textwrap.wrap(
            line, COLUMNS, subsequent_indent="    ", drop_whitespace=True, replace_whitespace=False
        ) or [""]
    for first in range(0, max(len(broken), 1), LINES):
        figure = new_figure(SIZE, layout=None)
        figure.text(0.06, 0.94, plain(title, 90), fontsize=14, color=INK, va="top")
        text = "\n".join(line.replace("$", r"\$") for line in broken[first : first + LINES])
        style: Any = {"fontsize": LETTER, "family": "monospace", "linespacing": 1.22}
        figure.text(0.06, 0.88, text, color=INK, va="top", **style)
        yield figure
