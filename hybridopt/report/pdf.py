"""The report as a PDF: one page size, contents, numbered figures, laid out by reportlab."""

from collections.abc import Iterator, Sequence
from io import BytesIO
from itertools import count
from pathlib import Path
from typing import TYPE_CHECKING, Any
from xml.sax.saxutils import escape

import matplotlib
from matplotlib.figure import Figure

from ..base.cautions import CAUTION_LINE, CAUTIONS
from ..base.errors import InputError
from ..plots.colours import FAINT, INK, QUIET
from ..plots.rule_tables import rule_tables_figure
from ..plots.schedule import plot_schedule
from . import words
from .pictures import Picture, pictures

if TYPE_CHECKING:
    from .contents import Contents, Entry

try:
    from reportlab.lib import colors
    from reportlab.lib.pagesizes import A4
    from reportlab.lib.styles import ParagraphStyle
    from reportlab.lib.units import mm
    from reportlab.pdfbase import pdfmetrics
    from reportlab.pdfbase.ttfonts import TTFont
    from reportlab.platypus import (
        BaseDocTemplate,
        Frame,
        Image,
        KeepTogether,
        PageBreak,
        PageTemplate,
        Paragraph,
        Spacer,
        Table,
        TableStyle,
    )
    from reportlab.platypus.tableofcontents import TableOfContents
except ImportError:
    raise InputError(
        "a PDF report needs the package reportlab; install it with: "
        "python -m pip install 'hybridopt[pdf]', or write a page (.html)"
    ) from None

MARGIN, HEAD, FOOT = 20 * mm, 16 * mm, 20 * mm
WIDTH, HEIGHT = A4[0] - 2 * MARGIN, A4[1] - HEAD - FOOT
DRAWN, TIGHT = 1.3, 1.55  # times the printed size that pictures are drawn in, and crowded ones
PIXELS = 170  # per inch, of pictures as drawn
CROWDED = 11.0  # inch, pictures that are wider of themselves hold much text
TALL = 0.86  # of the page, the most that a picture takes
FONTS = {"Report": "DejaVuSans.ttf", "Report-Bold": "DejaVuSans-Bold.ttf"}


def report_pdf(contents: "Contents") -> bytes:
    """Return a report as PDF, A4 portrait; the same contents give the same bytes.

    Parameters
    ----------
    contents
        Results, and if wanted a comparison and rule tables.

    Returns
    -------
    bytes

    Raises
    ------
    InputError
        The package that lays pages out is not installed.
    """
    _register_fonts()
    out = BytesIO()
    _Document(out, words.title_of(contents)).multiBuild(list(_story(contents)))
    return out.getvalue()


def _register_fonts() -> None:
    """Take the fonts that come with matplotlib, which hold all letters and go into the file."""
    folder = Path(matplotlib.get_data_path()) / "fonts" / "ttf"
    for name, file in FONTS.items():
        pdfmetrics.registerFont(TTFont(name, str(folder / file)))
    pdfmetrics.registerFontFamily("Report", normal="Report", bold="Report-Bold")


def _style(name: str, size: float, **more: Any) -> Any:
    font = "Report-Bold" if name in ("title", "head", "part") else "Report"
    given = {"fontName": font, "bulletFontName": font, "fontSize": size, "textColor": INK}
    given |= {"leading": 1.32 * size}
    return ParagraphStyle(name, **(given | more))


def _styles() -> dict[str, Any]:
    return {
        "title": _style("title", 17, spaceAfter=10),
        "head": _style("head", 13, spaceBefore=4, spaceAfter=6),
        "part": _style("part", 10, spaceBefore=9, spaceAfter=3),
        "text": _style("text", 9, spaceAfter=4),
        "caution": _style("caution", 8.2, leftIndent=10, bulletIndent=0, spaceAfter=2),
        "caption": _style("caption", 8, textColor=QUIET, spaceBefore=2, spaceAfter=10),
        "cell": _style("cell", 7.6, wordWrap="CJK"),
        "small": _style("small", 6.4, leading=7.6),
        "entry": _style("entry", 9, leftIndent=0, leading=14),
    }


class _Document(BaseDocTemplate):  # type: ignore[misc]
    """Pages with a foot, and headings that the contents know of."""

    def __init__(self, out: BytesIO, title: str) -> None:
        facts: dict[str, Any] = {"title": title, "author": "hybridopt", "invariant": 1}
        super().__init__(out, pagesize=A4, initialFontName="Report", **facts)
        self.words, self.numbers = title, count()
        frame = Frame(MARGIN, FOOT, WIDTH, HEIGHT, 0, 0, 0, 0)
        self.addPageTemplates(PageTemplate("page", frames=[frame], onPage=self.foot))

    def beforeDocument(self) -> None:  # noqa: N802 - reportlab calls it so
        """Begin to number headings, once for every pass."""
        self.numbers = count()

    def foot(self, canvas: Any, _: Any) -> None:
        """Draw caution, title and page number."""
        canvas.saveState()
        canvas.setFont("Report", 7)
        canvas.setFillColor(colors.HexColor(QUIET))
        canvas.drawString(MARGIN, 11 * mm, CAUTION_LINE)
        canvas.drawRightString(A4[0] - MARGIN, 11 * mm, f"page {canvas.getPageNumber()}")
        canvas.restoreState()

    def afterFlowable(self, flowable: Any) -> None:  # noqa: N802 - likewise
        """Tell the contents of a heading."""
        if getattr(getattr(flowable, "style", None), "name", "") == "head":
            key = f"head{next(self.numbers)}"
            self.canv.bookmarkPage(key)
            self.canv.addOutlineEntry(flowable.getPlainText(), key, 0)
            self.notify("TOCEntry", (0, escape(flowable.getPlainText()), self.page, key))


def _story(contents: "Contents") -> Iterator[Any]:
    styles, numbers = _styles(), count(1)
    yield Paragraph(escape(words.title_of(contents)), styles["title"])
    for entry in contents.entries:
        yield Paragraph(escape(words.verdict_of(entry.result)), styles["text"])
    yield Paragraph("Cautions", styles["part"])
    for text in CAUTIONS:
        yield Paragraph(escape(text), styles["caution"], bulletText="\u2022")
    yield Paragraph("Contents", styles["part"])
    plain = TableStyle([("FONT", (0, 0), (-1, -1), "Report"), ("LEFTPADDING", (0, 0), (-1, -1), 0)])
    yield TableOfContents(levelStyles=[styles["entry"]], dotsMinLevel=0, tableStyle=plain)
    for entry in contents.entries:
        yield from _section(entry, styles, numbers)
    if contents.scores:
        yield from _scores(contents.scores, styles)
    if contents.rule_set is not None:
        yield PageBreak()
        yield Paragraph("Rule tables", styles["head"])
        yield from _picture(
            Picture(words.RULES_CAPTION, rule_tables_figure(contents.rule_set)), styles, numbers
        )


def _section(entry: "Entry", styles: dict[str, Any], numbers: Iterator[int]) -> Iterator[Any]:
    """Yield all of a result: verdict, values, pictures, energy, inputs, settings."""
    result = entry.result
    title = str(result.dataset.attrs.get("driveline_title", ""))
    yield PageBreak()
    yield Paragraph(escape(result.heading), styles["head"])
    yield Paragraph(escape(f"{title} ({entry.name})".strip()), styles["text"])
    yield Paragraph(escape(words.verdict_of(result)), styles["text"])
    yield _table((), words.key_values(result), styles)
    if entry.note:
        yield Paragraph(escape(entry.note), styles["text"])
    yield from _picture(Picture(words.SCHEDULE_CAPTION, plot_schedule(result)), styles, numbers)
    for picture in pictures(entry):
        yield from _picture(picture, styles, numbers)
    yield Paragraph("Energy from sources, and where it went", styles["part"])
    yield _table(("", "kJ", "% of what was drawn"), words.energy_rows(result), styles)
    yield Paragraph("Inputs and versions", styles["part"])
    yield _table((), words.input_rows(result), styles)
    yield Paragraph("Settings (SI)", styles["part"])
    yield _table((), words.setting_rows(result), styles)
    yield Paragraph("How to repeat it", styles["part"])
    yield Paragraph(escape(words.repeat_command(result)), styles["text"])


def _scores(scores: Sequence[dict[str, Any]], styles: dict[str, Any]) -> Iterator[Any]:
    yield PageBreak()
    yield Paragraph("Controllers against the optimum", styles["head"])
    yield Paragraph(escape(words.SCORES_CAPTION), styles["text"])
    wide = [0.12, 0.19] + [0.069] * (len(words.SCORE_HEADS) - 2)
    sizes = [WIDTH * share for share in wide]
    yield _table(words.SCORE_HEADS, words.score_rows(scores), styles, sizes, texts=2, style="small")


def _table(
    heads: Sequence[str],
    rows: Sequence[Sequence[str]],
    styles: dict[str, Any],
    sizes: Sequence[float] | None = None,
    texts: int = 1,
    style: str = "cell",
) -> Any:
    """Return a table whose cells wrap; without heads all cells are text, else numbers go right."""
    size, lined = styles[style], styles[style].clone("right", alignment=2)
    kinds = [size if i < texts or not heads else lined for i in range(len(rows[0]))]
    cells = [
        [Paragraph(escape(text), kind) for text, kind in zip(row, kinds, strict=True)]
        for row in ([heads, *rows] if heads else rows)
    ]
    shares = (0.36, 0.64) if len(rows[0]) == 2 else (0.5, 0.2, 0.3)
    look = TableStyle(
        [
            ("FONT", (0, 0), (-1, -1), "Report"),
            ("LINEBELOW", (0, 0), (-1, -1), 0.4, colors.HexColor(FAINT)),
            ("VALIGN", (0, 0), (-1, -1), "BOTTOM" if heads else "TOP"),
            ("TOPPADDING", (0, 0), (-1, -1), 1.5),
            ("BOTTOMPADDING", (0, 0), (-1, -1), 1.5),
            ("LEFTPADDING", (0, 0), (-1, -1), 2),
            ("RIGHTPADDING", (0, 0), (-1, -1), 2),
        ]
    )
    wide = sizes or [WIDTH * share for share in shares]
    return Table(cells, wide, style=look, repeatRows=1 if heads else 0, hAlign="LEFT")


def _picture(picture: Picture, styles: dict[str, Any], numbers: Iterator[int]) -> Iterator[Any]:
    """Yield a picture as wide as the page, with its number and caption."""
    image, high = _drawn(picture.figure)
    caption = f"Figure {next(numbers)}. {picture.caption}"
    parts = [Spacer(1, 6), Image(image, WIDTH, high), Paragraph(escape(caption), styles["caption"])]
    yield KeepTogether(parts)


def _drawn(figure: Figure) -> tuple[BytesIO, float]:
    """Return a figure drawn anew for the page, and its height there."""
    wide, high = figure.get_size_inches()
    share = min(high / wide, TALL * HEIGHT / WIDTH)
    inches = (TIGHT if wide > CROWDED else DRAWN) * WIDTH / 72.0
    figure.set_size_inches(inches, inches * share)
    out = BytesIO()
    figure.savefig(out, format="png", dpi=PIXELS)
    out.seek(0)
    return out, WIDTH * share
