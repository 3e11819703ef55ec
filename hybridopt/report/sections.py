"""Sections of the page; every text from a file goes through `escape`."""

from collections.abc import Sequence
from html import escape
from typing import TYPE_CHECKING, Any

import numpy as np

from ..base.cautions import CAUTIONS
from ..physics.modes import Mode
from ..plots.colours import INK, MODE_COLOURS
from ..plots.rule_tables import AXIS_WORDS, TABLE_WORDS, rule_tables_figure
from ..tables.rule_table import FACTORS, LAYOUT
from . import words
from .pictures import data_address, pictures

if TYPE_CHECKING:
    from ..tables.rule_set import RuleSet
    from .contents import Entry

WIDE = 11.0  # inch; wider figures take the whole width of the page
HELP = (
    "Move over the charts for values; drag to zoom, double-click for the whole. With the "
    "keyboard: arrows move the cursor (with Shift by ten steps), + and - zoom, 0 shows the whole."
)


def run_section(entry: "Entry", name: str, still: bool = True) -> str:
    """Return the section of a result.

    Parameters
    ----------
    entry
        What is shown.
    name
        Identity of the section in the page.
    still
        With still pictures; charts and tables are always there.
    """
    result = entry.result
    caption = "Energy from sources, and where it went; % of what was drawn"
    parts = [
        f'<section class="run" aria-labelledby="{name}-head">',
        f'<h2 id="{name}-head">{escape(result.heading)}</h2>',
        f"<p>{escape(str(result.dataset.attrs.get('driveline_title', '')))}</p>",
        _key_values(words.key_values(result)),
        "<h3>Over time</h3>",
        _charts(entry, name),
    ]
    if entry.note:
        parts.append(f"<p>{escape(entry.note)}</p>")
    if still:
        parts += ['<div class="pictures">', *(_picture(*p) for p in pictures(entry)), "</div>"]
    parts += [
        _details("Energy", table(["", "kJ", "%"], words.energy_rows(result), caption)),
        _details("Inputs and versions", table(["", ""], words.input_rows(result), "", text=True)),
        _details("Settings (SI)", table(["", ""], words.setting_rows(result), "", text=True)),
        "<h3>How to repeat it</h3>",
        f"<pre>{escape(words.repeat_command(result))}</pre>",
        "<p>Cycle or driveline from a file: give the file in place of the name; it is the same if "
        "the SHA-256 above is.</p>",
        "</section>",
    ]
    return "\n".join(parts)


def comparison_section(scores: Sequence[dict[str, Any]]) -> str:
    """Return the table of a comparison."""
    rows = words.score_rows(scores)
    return (
        '<section aria-labelledby="comparison">\n<h2 id="comparison">Controllers against the '
        f"optimum</h2>\n{table(words.SCORE_HEADS, rows, words.SCORES_CAPTION, texts=2)}\n</section>"
    )


def rules_section(rule_set: "RuleSet") -> str:
    """Return the rule tables as one picture and as numbers."""
    origin = rule_set.origin
    facts = [
        ("title", origin.title),
        ("driveline", origin.driveline),
        ("training cycles", ", ".join(origin.cycles)),
        ("SHA-256 of the training", origin.training or "not trained"),
        ("edited by hand since", "yes" if origin.edited else "no"),
    ]
    parts = [
        '<section aria-labelledby="rules">\n<h2 id="rules">Rule tables</h2>',
        table(["", ""], facts, "", text=True),
        _picture(words.RULES_CAPTION, rule_tables_figure(rule_set)),
        *(_rule_table(rule_set, name) for name in LAYOUT),
        "</section>",
    ]
    return "\n".join(parts)


def cautions_section() -> str:
    """Return the cautions."""
    items = "".join(f"<li>{escape(text)}</li>" for text in CAUTIONS)
    return (
        '<section aria-labelledby="cautions"><h2 id="cautions">Cautions</h2>'
        f'<ul class="caution">{items}</ul></section>'
    )


def table(
    heads: Sequence[str],
    rows: Sequence[Sequence[str]],
    caption: str,
    text: bool = False,
    texts: int = 1,
) -> str:
    """Return a table; the first cell of a row is its head.

    Parameters
    ----------
    heads, rows, caption
        Plain text.
    text
        Other cells are text too, set from the left.
    texts
        How many cells of a row, from the first, are text.
    """
    kinds = [' class="text"' if number < texts else "" for number in range(len(heads))]
    head = "".join(
        f'<th scope="col"{kind}>{escape(name)}</th>'
        for name, kind in zip(heads, kinds, strict=True)
    )
    lines = []
    for row in rows:
        cells = [f'<th scope="row">{escape(row[0])}</th>']
        for number, cell in enumerate(row[1:], start=1):
            kind = ' class="text"' if text or number < texts else ""
            cells.append(f"<td{kind}>{escape(cell)}</td>")
        lines.append(f"<tr>{''.join(cells)}</tr>")
    return _scrolled(caption, head if any(heads) else "", "".join(lines))


def _key_values(rows: Sequence[words.Row]) -> str:
    cells = "".join(
        f"<div><dt>{escape(name)}</dt><dd>{escape(text)}</dd></div>" for name, text in rows
    )
    return f'<dl class="figures">{cells}</dl>'


def _charts(entry: "Entry", name: str) -> str:
    attrs = entry.result.dataset.attrs
    items = []
    for mode in Mode:
        share = 100.0 * float(attrs[f"share_{mode.name.lower()}"])
        swatch = (
            f'<svg viewBox="0 0 14 12" aria-hidden="true"><rect width="14" height="12" '
            f'fill="{MODE_COLOURS[mode]}" stroke="{INK}"/></svg>'
        )
        items.append(f"<li>{swatch} {mode.text} {share:.1f} %</li>")
    label = escape(f"Charts over time, {entry.result.heading}", quote=True)
    return (
        f'<div class="charts" id="{name}" tabindex="0" role="group" aria-label="{label}" '
        f'aria-describedby="{name}-help">\n'
        '<div class="controls"><button type="button" data-do="in">Zoom in</button>'
        '<button type="button" data-do="out">Zoom out</button>'
        '<button type="button" data-do="whole">Whole</button></div>\n'
        f'<div class="readout"></div><div class="silent" aria-live="polite"></div>\n'
        f'<div class="plots"><noscript>The charts need JavaScript.</noscript></div>\n'
        f'<ul class="key" aria-label="Modes, share of time">{"".join(items)}</ul>\n'
        f'<p class="help" id="{name}-help">{HELP}</p>\n</div>'
    )


def _details(title: str, content: str, long: bool = False) -> str:
    kind = ' class="long"' if long else ""  # long ones stay closed in print
    return f"<details{kind}><summary>{escape(title)}</summary>{content}</details>"


def _picture(caption: str, figure: Any) -> str:
    text = escape(caption, quote=True)
    wide = ' class="wide"' if figure.get_figwidth() > WIDE else ""
    return (
        f'<figure{wide}><div class="scroll" tabindex="0"><img alt="{text}" '
        f'src="{data_address(figure)}"></div><figcaption>{text}</figcaption></figure>'
    )


def _rule_table(rule_set: "RuleSet", name: str) -> str:
    """Return one rule table in the units of files, a block per entry of a third axis."""
    found, coverage = rule_set.map(name), rule_set.coverage.get(name)
    keys = LAYOUT[name]
    axes = [axis / FACTORS[key] for axis, key in zip(found.axes, keys, strict=False)]
    shape = found.values.shape + (1,) * (3 - found.values.ndim)
    values = (found.values / FACTORS[keys[-1]]).reshape(shape)
    filled = coverage.filled.reshape(shape) if coverage else np.zeros(shape, dtype=bool)
    over = f" over {AXIS_WORDS[keys[1]]} (columns)" if len(axes) > 1 else ""
    columns = [f"{y:.4g}" for y in axes[1]] if len(axes) > 1 else [""]
    blocks = []
    for k in range(shape[2]):
        third = f", {AXIS_WORDS[keys[2]]} {axes[2][k]:g}" if len(axes) == 3 else ""
        heads = "".join(
            f'<th scope="col">{escape(x)}</th>' for x in (AXIS_WORDS[keys[0]], *columns)
        )
        lines = "".join(
            f'<tr><th scope="row">{x:.4g}</th>{_rule_cells(values[i, :, k], filled[i, :, k])}</tr>'
            for i, x in enumerate(axes[0])
        )
        blocks.append(_scrolled(f"{AXIS_WORDS[keys[-1]]}{third}{over}", heads, lines))
    title = f"{TABLE_WORDS[name]} (* not reached by the training)"
    return _details(title, "".join(blocks), long=True)


def _rule_cells(values: np.ndarray, filled: np.ndarray) -> str:
    """Return a row of cells; what no training reached is marked."""
    mark = ' class="filled" title="not reached by the training"'
    return "".join(
        f"<td{mark}>{value:.4g}*</td>" if empty else f"<td>{value:.4g}</td>"
        for value, empty in zip(values.tolist(), filled.tolist(), strict=True)
    )


def _scrolled(caption: str, heads: str, lines: str) -> str:
    """Return a table that scrolls by itself, from its parts in HTML and a plain caption."""
    title = f"<caption>{escape(caption)}</caption>" if caption else ""
    thead = f"<thead><tr>{heads}</tr></thead>" if heads else ""
    return (
        f'<div class="scroll" tabindex="0"><table>{title}{thead}<tbody>{lines}</tbody>'
        "</table></div>"
    )
