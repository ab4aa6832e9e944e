"""The report of a period as PDF, laid out by fpdf2 (the extra `pdf`). The same report gives the same bytes."""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterable, Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING

from monitor.alarms.catalogue import CAUTION
from monitor.errors import RunError
from monitor.model import NS
from monitor.web.period import Curve, PeriodReport, performance
from monitor.web.period_page import title
from monitor.web.templating import brief
from monitor.web.words import UNKNOWN, Display, clock, due_limit, kind_of

if TYPE_CHECKING:
    from fpdf import FPDF

# Fonts that hold more letters than the 256 of a PDF's own.
FONTS = ("/usr/share/fonts/truetype/dejavu/DejaVuSans.ttf", "/usr/share/fonts/dejavu-sans-fonts/DejaVuSans.ttf",
         "/Library/Fonts/Arial Unicode.ttf")
WIDTH, CHART = 277.0, 32.0      # mm: of the text on A4 across, and the height of a chart
MISSING = "PDF needs the library fpdf2, which is not installed: pip install 'bagwright[pdf]'; or ask for .html"


def as_pdf(report: PeriodReport) -> bytes:
    """Raises RunError where the extra is not installed."""
    try:
        from fpdf import FPDF
    except ImportError:
        raise RunError(MISSING) from None

    class Pages(FPDF):
        def footer(self) -> None:
            self.set_y(-10)
            self.set_font(size=7)
            self.cell(0, 5, f"{title(report)}   {self.page_no()}/{{nb}}", align="R")

    pdf = Pages(orientation="landscape", format="A4")
    pdf.set_creation_date(datetime.fromtimestamp(report.end // NS, UTC))
    pdf.set_title(title(report))
    pdf.set_margins(10, 10)
    _choose_font(pdf)
    pdf.add_page()
    _fill(pdf, report)
    return bytes(pdf.output())


def _choose_font(pdf: FPDF) -> None:
    found = next((f for f in FONTS if Path(f).is_file()), None)
    if found is None:
        pdf.set_font("helvetica", size=9)
        return
    pdf.add_font("text", "", found)
    pdf.set_font("text", size=9)


def _fill(pdf: FPDF, report: PeriodReport) -> None:
    _text(pdf, title(report), 15)
    _text(pdf, f"{clock(report.start, report.zone)} to {clock(report.end, report.zone)}", 9)
    _text(pdf, CAUTION, 8)
    _heading(pdf, "Skids")
    _table(pdf, ("Skid", "Data", "Judged", "Highest normalised dP", "Last", "Limit", "Alarms", "Changed", "Elements"),
           (_skid(line) for line in report.lines), (46, 22, 22, 42, 30, 30, 25, 30, 30))
    _heading(pdf, "Changeouts")
    _table(pdf, ("Skid", "Vessel", "Returned", "Life, h", "Volume, m³", "dP before, bar", "after", "Check", "Closure",
                 "Found"),
           ((c.skid, c.vessel or UNKNOWN, clock(c.returned, report.zone), _number(c.life_h, 1), _number(c.volume_m3, 0),
             _number(c.before, 2), _number(c.after, 2), c.verdict_words,
             c.closure or UNKNOWN, "; ".join(i.words for i in c.inspections))
            for c in report.changeouts), (30, 18, 42, 16, 22, 24, 18, 40, 24, 43))
    _heading(pdf, "Alarms raised")
    _table(pdf, ("Kind", "How often"), ((kind_of(k).words, str(n)) for k, n in report.raised.items()), (80, 30))
    _heading(pdf, "How the alarm system performed")
    _table(pdf, ("Measure", "Figure", "Target"), performance(report.figures), (80, 107, 90))
    if report.curves:
        _heading(pdf, "Normalised dP", 20 + CHART)
    for curve in report.curves:
        _chart(pdf, report, curve)
    _heading(pdf, "Events")
    _table(pdf, ("Time", "Skid", "Kind", "Change", "Message"),
           ((clock(e.time, report.zone), e.skid, kind_of(e.kind).words, e.transition.value, brief(e.message))
            for e in report.events),
           (40, 30, 38, 18, 151))


def _skid(line: object) -> tuple[str, ...]:
    from monitor.web.period import Line

    assert isinstance(line, Line)
    show = Display(line.skid)
    levels = (show.text("pressure", p) for p in (line.highest, line.last, line.limit))
    return (line.skid.name, f"{100 * line.have:.1f} %", f"{100 * line.judged:.1f} %", *levels, str(line.raised),
            str(line.changed), str(line.elements))


def _text(pdf: FPDF, text: str, size: float) -> None:
    pdf.set_font(size=size)
    pdf.multi_cell(WIDTH, size * 0.5, _writable(pdf, text), align="L", new_x="LMARGIN", new_y="NEXT")
    pdf.ln(1)


def _heading(pdf: FPDF, text: str, room: float = 25.0) -> None:
    """room: mm that have to follow it on the same page."""
    if pdf.will_page_break(room):
        pdf.add_page()
    pdf.ln(3)
    _text(pdf, text, 12)


def _table(pdf: FPDF, head: Sequence[str], rows: Iterable[Sequence[str]], widths: Sequence[float]) -> None:
    from fpdf.fonts import FontFace

    every = [list(map(str, row)) for row in rows]
    if not every:
        _text(pdf, "None.", 9)
        return
    pdf.set_font(size=7.5)
    with pdf.table(col_widths=tuple(widths), width=sum(widths), align="LEFT", line_height=4.2,
                   borders_layout="HORIZONTAL_LINES", headings_style=FontFace(emphasis="", fill_color=228)) as table:
        for cells in (list(head), *every):
            row = table.row()
            for cell in cells:
                row.cell(_writable(pdf, cell))


def _chart(pdf: FPDF, report: PeriodReport, curve: Curve) -> None:
    """A curve with the limit, over the whole width."""
    if pdf.will_page_break(CHART + 10):
        pdf.add_page()
    show = Display(curve.skid)
    due = due_limit(curve.skid)
    _text(pdf, f"{curve.skid.name}: normalised dP, changeout due at {show.text('pressure', due)}", 8)
    top, left = float(pdf.get_y()), float(pdf.l_margin)
    highest: float = max([due, *(v for v in curve.value.tolist() if math.isfinite(v))]) * 1.08
    def down(value: float) -> float:
        return float(top + CHART * (1 - max(value, 0.0) / highest))

    pdf.set_draw_color(150)
    pdf.rect(left, top, WIDTH, CHART)
    pdf.set_dash_pattern(2, 1.5)
    pdf.line(left, down(due), left + WIDTH, down(due))
    pdf.set_dash_pattern()
    pdf.set_draw_color(30)
    for piece in _pieces(curve, report):
        pdf.polyline([(left + WIDTH * x, down(v)) for x, v in piece])
    pdf.set_draw_color(0)
    pdf.set_y(top + CHART + 3)


def _pieces(curve: Curve, report: PeriodReport) -> Iterable[list[tuple[float, float]]]:
    """Stretches without a gap: share of the period, Pa."""
    span = max(1, report.end - report.start)
    times = curve.time.tolist()
    usual = sorted(b - a for a, b in itertools.pairwise(times))
    most = 1.5 * usual[len(usual) // 2] if usual else math.inf
    piece: list[tuple[float, float]] = []
    before = times[0] if times else 0
    for at, value in zip(times, curve.value.tolist(), strict=True):
        if piece and (at - before > most or not math.isfinite(value)):
            yield from [piece] if len(piece) > 1 else []
            piece = []
        if math.isfinite(value):
            piece.append(((at - report.start) / span, value))
        before = at
    if len(piece) > 1:
        yield piece


def _number(value: float | None, digits: int) -> str:
    return UNKNOWN if value is None else f"{value:.{digits}f}"


def _writable(pdf: FPDF, text: str) -> str:
    """A PDF's own fonts hold Latin 1 only."""
    if pdf.font_family == "text":
        return text
    return text.replace(UNKNOWN, "-").encode("latin-1", "replace").decode("latin-1")
