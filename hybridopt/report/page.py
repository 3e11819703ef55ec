"""The page: one file that needs no other, and no network."""

import base64
import hashlib
from collections.abc import Sequence
from html import escape
from importlib import resources
from string import Template
from typing import TYPE_CHECKING, Any

from ..base.cautions import CAUTION
from . import sections, words
from .charts import chart_data, safe_json

if TYPE_CHECKING:
    from .contents import Contents


def report_page(contents: "Contents") -> str:
    """Return the page of a report.

    Parameters
    ----------
    contents
        Results, and if wanted a comparison and rule tables.

    Notes
    -----
    The page may run only the script whose hash it states, and may load nothing; all text from
    files is escaped as well.
    """
    named = [(f"run{number}", entry) for number, entry in enumerate(contents.entries)]
    body = [sections.run_section(entry, name) for name, entry in named]
    links = [(f"{name}-head", entry.result.heading) for name, entry in named]
    if contents.scores:
        body.append(sections.comparison_section(contents.scores))
        links.append(("comparison", "Controllers against the optimum"))
    if contents.rule_set is not None:
        body.append(sections.rules_section(contents.rule_set))
        links.append(("rules", "Rule tables"))
    body.append(sections.cautions_section())
    links.append(("cautions", "Cautions"))
    runs = [chart_data(entry.result, name) for name, entry in named]
    verdicts = "".join(f"<p>{escape(words.verdict_of(e.result))}</p>" for e in contents.entries)
    head = f'{verdicts}\n<p class="caution">{escape(CAUTION)}</p>\n{_links(links)}'
    return whole_page(words.title_of(contents), head, "\n".join(body), runs)


def whole_page(title: str, head: str, body: str, runs: Sequence[dict[str, Any]]) -> str:
    """Return a page from its parts.

    Parameters
    ----------
    title
        Plain text.
    head, body
        HTML.
    runs
        From :func:`.charts.chart_data`.
    """
    script = asset("page.js")
    return Template(asset("page.html")).substitute(
        title=escape(title),
        style=asset("page.css"),
        script=script,
        script_hash=script_hash(script),
        head=head,
        body=body,
        runs=safe_json(list(runs)),
    )


def _links(links: Sequence[tuple[str, str]]) -> str:
    items = "".join(f'<li><a href="#{place}">{escape(text)}</a></li>' for place, text in links)
    return f'<nav aria-label="Contents"><ul>{items}</ul></nav>'


def script_hash(script: str) -> str:
    """Return the SHA-256 by which a page's own policy names the script that it may run."""
    return base64.b64encode(hashlib.sha256(script.encode()).digest()).decode()


def asset(name: str) -> str:
    """Return the text of a file of the page."""
    folder = resources.files(__package__) / "assets"
    return (folder / name).read_text(encoding="utf-8")
