"""Curves and points over a value axis as SVG that stretches with the page, in the style of `monitor.web.plots`."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from markupsafe import Markup

from monitor.web.plots import BOTTOM, TOP, WIDTH, Scale, value_axis
from monitor.web.scales import value_ticks

SHORT = 6           # letters


@dataclass(frozen=True, slots=True)
class Marks:
    """Points; those of a curve are joined. style: a class of the page: line, step, dot, today, best."""

    label: str
    points: Sequence[tuple[float, float]]
    style: str


@dataclass(frozen=True, slots=True)
class Chart:
    """is_logarithmic: of x, whose values are then above zero."""

    title: str
    unit: str
    x_words: str
    marks: Sequence[Marks]
    height: int = 150
    is_logarithmic: bool = False


class _Axes:
    def __init__(self, chart: Chart) -> None:
        points = [p for marks in chart.marks for p in marks.points]
        self.logarithmic = chart.is_logarithmic
        self.left, self.right = _ends([x for x, _ in points], 0.03, chart.is_logarithmic)
        # Counts: what is less than one of them may not look like much.
        self.down = Scale(*_ends([y for _, y in points] + [0.0, 1.0], 0.08, False), chart.height)

    def x(self, value: float) -> float:
        if self.logarithmic:
            return WIDTH * math.log(value / self.left) / math.log(self.right / self.left)
        return WIDTH * (value - self.left) / (self.right - self.left)

    def y(self, value: float) -> float:
        return float(self.down.y(value))

    def ticks(self) -> list[float]:
        if not self.logarithmic:
            return value_ticks(self.left, self.right, 6)
        powers = range(math.floor(math.log10(self.left)), math.ceil(math.log10(self.right)) + 1)
        marks = [m * 10.0**p for p in powers for m in (1, 2, 5)]
        return [v for v in marks if self.left <= v <= self.right]


def draw_chart(chart: Chart) -> Markup:
    """The chart as a `<figure>`; what x is stands at its axis where that is short. The same input gives the same
    text."""
    unit = chart.unit if len(chart.x_words) <= SHORT else f"{chart.unit}, over {chart.x_words}"
    axes = _Axes(chart)
    inner = Markup("").join(_drawn(marks, axes) for marks in chart.marks)
    key = Markup('<span class="key"><svg width="26" height="10" aria-hidden="true">{}</svg>{}</span>')
    legend = Markup(" ").join(key.format(_sample(m.style), m.label) for m in chart.marks if m.label)
    return Markup(
        '<figure class="plot"><figcaption><span class="plot-title">{title}</span> <span class="unit">{unit}</span> '
        '{legend}</figcaption><svg class="chart" role="img" aria-label="{told}" width="100%" height="{all}">'
        '<svg class="data" x="0" y="{top}" width="100%" height="{h}" viewBox="0 0 {w} {h}" preserveAspectRatio="none" '
        'overflow="visible">{inner}</svg>{y}<g>{x}</g></svg></figure>'
    ).format(title=chart.title, unit=unit, legend=legend, told=_told(chart), all=chart.height + TOP + BOTTOM,
             top=TOP, h=chart.height, w=WIDTH, inner=inner, y=value_axis(axes.down), x=_x_axis(axes, chart))


def _ends(values: Sequence[float], air: float, logarithmic: bool) -> tuple[float, float]:
    low, high = min(values, default=0.0), max(values, default=1.0)
    if logarithmic:
        return low * 0.95, high * 1.05
    pad = air * (high - low) or 0.5
    return low - pad, high + pad


def _drawn(marks: Marks, axes: _Axes) -> Markup:
    places = [(axes.x(x), axes.y(y)) for x, y in marks.points]
    if marks.style in ("line", "step"):
        text = ""
        for i, (x, y) in enumerate(places):
            text += f"{'L' if i else 'M'}{x:.0f},{places[i - 1][1]:.1f}" if i and marks.style == "step" else ""
            text += f"{'L' if i else 'M'}{x:.0f},{y:.1f}"
        return Markup('<path class="line" d="{}"/>').format(text)
    dots = "".join(f"M{x:.0f},{y:.1f}h0" for x, y in sorted(set(places)))
    return Markup('<path class="line {}" d="{}"/>').format(marks.style, dots)


def _sample(style: str) -> Markup:
    shape = "M1,5H25" if style in ("line", "step") else "M13,5h0"
    return Markup('<path class="line {}" d="{}"/>').format("" if style in ("line", "step") else style, shape)


def _x_axis(axes: _Axes, chart: Chart) -> Markup:
    words = [Markup('<text class="tick" x="{p:.2f}%" y="{y}" text-anchor="middle">{v:g}</text>').format(
        p=axes.x(v) * 100 / WIDTH, y=chart.height + TOP + 14, v=v)
        for v in axes.ticks() if 300 < axes.x(v) < (8_500 if len(chart.x_words) <= SHORT else 9_700)]  # fmt: skip
    if len(chart.x_words) <= SHORT:
        words.append(Markup('<text class="tick" x="100%" dx="-4" y="{}" text-anchor="end">{}</text>').format(
            chart.height + TOP + 14, chart.x_words))
    return Markup("").join(words)


def _told(chart: Chart) -> str:
    """What a reader who cannot see the chart is told."""
    parts = [f"{chart.title}, {chart.unit}, over {chart.x_words}."]
    for marks in chart.marks:
        if 0 < len(marks.points) <= 12:
            parts.append(f"{marks.label or 'Curve'}: " + ", ".join(f"{x:g}: {y:.3g}" for x, y in marks.points) + ".")
    return " ".join(parts)
