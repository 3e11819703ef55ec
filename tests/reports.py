"""Makes results, comparisons and contents of reports for tests; parses pages."""

import json
from html.parser import HTMLParser

from rule_tables import hand_made

from hybridopt.optimum.result import Result
from hybridopt.report.contents import Contents, Entry

EVIL = "</script><img src=x onerror=alert(1)>\"'&${title}<!--"
VOID = {"meta", "link", "img", "br", "rect", "input"}
SCORE = {
    "cycle": "ece15",
    "controller": "mine",
    "fuel_g": 27.0,
    "fuel_equal_g": 27.5,
    "soc_end": 0.58,
    "fuel_above_optimum_percent": 2.0,
    "cost_equal_g": 28.0,
    "cost_above_optimum_percent": 3.0,
    "gap_percent": 3.1,
    "bound_g": 26.4,
    "starts": 4,
    "shifts": 11,
    "clipped_steps": 0,
}


def renamed(result, **attrs):
    """Return a result with other texts in its attrs."""
    return Result(result.dataset.assign_attrs(**attrs))


def full_contents(result, vehicle=None, **attrs):
    """Return contents with everything a report can hold."""
    entries = [Entry("a.nc", result, vehicle), Entry("b.nc", renamed(result, **attrs))]
    rule_set = hand_made(attrs.get("cycle", "made by hand"))
    return Contents(entries, [SCORE | {"controller": attrs.get("cycle", "mine")}], rule_set)


def write_comparison(path, scores=(SCORE,)):
    """Write the part of a comparison that reports read."""
    path.write_text(json.dumps({"scores": list(scores)}), encoding="utf-8")
    return path


class Page(HTMLParser):
    """Collects elements, texts and faults of a page."""

    def __init__(self, text):
        super().__init__(convert_charrefs=True)
        self.open, self.elements, self.texts, self.faults = [], [], {}, []
        self.feed(text)
        self.close()
        if self.open:
            self.faults.append(f"not closed: {self.open}")

    def handle_starttag(self, tag, attrs):
        self.elements.append((tag, dict(attrs)))
        if tag not in VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag, attrs):
        self.elements.append((tag, dict(attrs)))

    def handle_endtag(self, tag):
        if not self.open or self.open.pop() != tag:
            self.faults.append(f"</{tag}> closes something else")

    def handle_data(self, data):
        if self.open:
            self.texts.setdefault(self.open[-1], []).append(data)

    def of(self, tag):
        """Return the attributes of all elements of a kind."""
        return [attrs for name, attrs in self.elements if name == tag]
