"""Plots drawn by the server as SVG that stretches with the page: no script, no library, prints well.

Data live in nested `<svg>` elements whose x runs from 0 to 10,000 whatever the width, y in pixels;
text lives outside them at percent positions, so it keeps its size from 360 px to paper. A missing
value or bucket ends a line: a gap is never bridged. What lies beyond a limit is drawn again, thicker
and coloured. The same input gives the same text.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import UTC, tzinfo

import numpy as np
import numpy.typing as npt
from markupsafe import Markup

from monitor.web.scales import decimals_for, nice_step, time_ticks, value_ticks
from monitor.web.words import clock, digits_for

Floats = npt.NDArray[np.float64]
Times = npt.NDArray[np.int64]

WIDTH = 10_000          # x units of the stretched part
TOP, BOTTOM = 8, 20   # px above the plot, and below it for the time labels
_LANE = 30              # px of one lane of events
TICK_TALL = 14          # px that a label above its line takes
_GAP = 1.5              # a step longer than this many usual steps is a gap


@dataclass(frozen=True, slots=True)
class Line:
    """One curve. style: classes of the style sheet. time: where it has times of its own; then its points are joined
    however far apart they are, but not across a missing one. dots: its points are marked."""

    label: str
    values: Floats
    style: str = "strong"
    low: Floats | None = None       # envelope of each bucket, drawn as a band
    high: Floats | None = None
    limit: float | None = None      # what lies at or above it is emphasised
    firm: npt.NDArray[np.bool_] | None = None   # where it can be gone by; else it is not emphasised
    time: Times | None = None
    dots: bool = False


@dataclass(frozen=True, slots=True)
class Limit:
    """A labelled horizontal line. `alarm`: reaching it calls for a person."""

    label: str
    value: float
    alarm: bool = True


@dataclass(frozen=True, slots=True)
class Panel:
    """Curves over one value axis, all in `unit`."""

    title: str
    unit: str
    lines: tuple[Line, ...]
    limits: tuple[Limit, ...] = ()
    height: int = 150
    from_zero: bool = True
    empty: str = "No values in this span."
    note: str = ""                  # below the plot
    joined: int = 0                 # ns: times this near are never a gap


@dataclass(frozen=True, slots=True)
class Span:
    """A condition from `start` to `end` (ns; None: it still stands), or a moment where both agree."""

    start: int
    end: int | None
    level: str          # high, medium, low or note: a class of the style sheet
    title: str

    def within(self, first: int, last: int) -> bool:
        """Whether any of it lies between `first` and `last`."""
        return self.start <= last and (self.end is None or self.end >= first)


@dataclass(frozen=True, slots=True)
class Lane:
    label: str
    spans: tuple[Span, ...]


@dataclass(frozen=True, slots=True)
class Frame:
    """The span of time that is shown, ns; the moments marked through every panel; where there is no data, or only
    such that cannot be gone by."""

    start: int
    end: int
    marks: tuple[tuple[int, str], ...] = field(default=())      # time, level
    gaps: tuple[tuple[int, int], ...] = field(default=())       # from, to
    doubts: tuple[tuple[int, int], ...] = field(default=())     # from, to
    zone: tzinfo = UTC                                          # whose clocks the axis goes by

    def x(self, time: npt.ArrayLike) -> Floats:
        """Position of times, 0 at the start and WIDTH at the end."""
        span = max(self.end - self.start, 1)
        return np.asarray((np.asarray(time, np.int64) - self.start) * (WIDTH / span), np.float64)


def draw(time: Times, panels: Sequence[Panel], lanes: Sequence[Lane], frame: Frame) -> Markup:
    """Lanes of events, then every panel, over the same time. Arrays of a panel are as long as `time`."""
    parts = [draw_lanes(lanes, frame)] if lanes else []
    return Markup("\n").join([*parts, *(draw_panel(time, panel, frame) for panel in panels)])


def draw_panel(time: Times, panel: Panel, frame: Frame) -> Markup:
    """One panel as a `<figure>` with its caption and legend."""
    values = [v[np.isfinite(v)] for line in panel.lines for v in (line.values, line.low, line.high) if v is not None]
    known = np.concatenate(values) if values else np.empty(0)
    low, high = _extent(known, panel)
    down = Scale(low, high, panel.height)
    inner = [_shades(frame, panel.height), _grid_times(frame, panel.height), _marks(frame, panel.height)]
    inner += [_curve(time, line, frame, down, panel.joined) for line in panel.lines]
    text = value_axis(down) + Markup("").join(_limit(limit, down, panel) for limit in panel.limits)
    if not known.size:
        text += Markup('<text class="empty" x="50%" y="{}" text-anchor="middle">{}</text>').format(
            panel.height // 2, panel.empty)
    return Markup(
        '<figure class="plot"><figcaption><span class="plot-title">{title}</span> '
        '<span class="unit">{unit}</span> {legend}</figcaption>{svg}{note}</figure>'
    ).format(title=panel.title, unit=panel.unit, legend=_legend(panel),
             note=Markup('<p class="small muted note">{}</p>').format(panel.note) if panel.note else "",
             svg=_svg(Markup("").join(inner), text, panel.height, frame, _describe(panel, frame), down))


def draw_lanes(lanes: Sequence[Lane], frame: Frame) -> Markup:
    """Each kind of event in its own lane: when it stood, or the moment it was noted."""
    height = _LANE * len(lanes)
    inner, text = [_grid_times(frame, height)], Markup("")
    for row, lane in enumerate(lanes):
        y = row * _LANE + 17
        text += Markup('<text class="lane" x="4" y="{}">{}</text>').format(TOP + y - 4, lane.label)
        inner += [_bar(span, y, frame) for span in lane.spans]
    words = "; ".join(f"{lane.label}: {len(lane.spans)}" for lane in lanes)
    return Markup('<figure class="plot lanes"><figcaption><span class="plot-title">Events</span> '
                  '<span class="unit">a bar while it stood, a short mark where it was noted</span></figcaption>{}'
                  "</figure>").format(_svg(Markup("").join(inner), text, height, frame, f"Events by kind. {words}."))


class Scale:
    """Values to pixels from the top of the plot."""

    def __init__(self, low: float, high: float, height: int) -> None:
        self.low, self.high, self.height = low, high, height

    def y(self, value: npt.ArrayLike) -> Floats:
        return (self.high - np.asarray(value, np.float64)) / (self.high - self.low) * self.height


def _extent(known: Floats, panel: Panel) -> tuple[float, float]:
    """Lowest and highest value of the axis: everything known and every limit, with some air."""
    edges = [limit.value for limit in panel.limits]
    edges += [float(known.min()), float(known.max())] if known.size else []
    edges += [0.0] if panel.from_zero or not edges else []
    low, high = min(edges), max(edges)
    air = 0.08 * (high - low) or 0.05 * abs(high) or 1.0
    return (low if low == 0.0 and panel.from_zero else low - air), high + air


def _runs(time: Times, values: Floats, near: int) -> list[slice]:
    """Stretches without a gap: neighbours in time, all finite. near: times so near are always neighbours, ns."""
    good = np.isfinite(values)
    if not good.any():
        return []
    steps = np.diff(time)
    usual = float(np.median(steps)) if steps.size else 0.0
    joined = np.concatenate(([False], (steps <= max(_GAP * usual, near)) & good[1:] & good[:-1]))
    starts = np.flatnonzero(good & ~joined)
    ends = np.flatnonzero(good & ~np.append(joined[1:], False)) + 1
    return [slice(int(a), int(b)) for a, b in zip(starts, ends, strict=True)]


def _points(x: Floats, y: Floats) -> str:
    return " ".join(f"{a:.0f},{b:.1f}".removesuffix(".0") for a, b in zip(x.tolist(), y.tolist(), strict=True))


def _path(time: Times, values: Floats, frame: Frame, down: Scale, near: int) -> str:
    x, y = frame.x(time), down.y(values)
    parts = []
    for run in _runs(time, values, near):
        points = _points(x[run], y[run])
        parts.append(f"M{points}" if run.stop - run.start > 1 else f"M{points}h0")     # a lone value is a dot
    return "".join(parts)


def _joined(line: Line, frame: Frame, down: Scale) -> str:
    """A curve over times of its own: whatever lies between two points that are known."""
    assert line.time is not None
    x, y = frame.x(line.time), down.y(line.values)
    good = np.isfinite(y)
    pieces = np.split(np.arange(y.size), np.flatnonzero(~good))
    return "".join(f"M{_points(x[p], y[p])}" for p in (q[good[q]] for q in pieces) if p.size > 1)


def _curve(time: Times, line: Line, frame: Frame, down: Scale, near: int) -> Markup:
    out = Markup("")
    if line.low is not None and line.high is not None:
        out += Markup('<path class="band" d="{}"/>').format(_band(time, line.low, line.high, frame, down, near))
    course = _path(time, line.values, frame, down, near) if line.time is None else _joined(line, frame, down)
    out += Markup('<path class="line {}" data-label="{}" d="{}"/>').format(line.style, line.label, course)
    if line.dots:
        x, y = frame.x(time if line.time is None else line.time), down.y(line.values)
        spots = "".join(f"M{a:.0f},{b:.1f}h0" for a, b in zip(x.tolist(), y.tolist(), strict=True) if np.isfinite(b))
        out += Markup('<path class="dots" d="{}"/>').format(spots)
    if line.limit is not None and (beyond := _beyond(line, line.limit)).any():
        around = beyond | np.append(beyond[1:], False) | np.append(False, beyond[:-1])
        shown = np.where(around, line.values, np.nan)
        height = max(float(down.y(line.limit)), 0.1)
        out += Markup('<svg x="0" y="0" width="{w}" height="{h:.1f}" viewBox="0 0 {w} {h:.1f}">'
                      '<path class="line beyond" d="{d}"/></svg>').format(
            w=WIDTH, h=height, d=_path(time, shown, frame, down, near))
    return out


def _beyond(line: Line, limit: float) -> npt.NDArray[np.bool_]:
    found = np.asarray(line.values >= limit, np.bool_)
    return found if line.firm is None else found & line.firm


def _band(time: Times, low: Floats, high: Floats, frame: Frame, down: Scale, near: int) -> str:
    x, top, bottom = frame.x(time), down.y(high), down.y(low)
    return "".join(
        f"M{_points(x[run], top[run])} {_points(x[run][::-1], bottom[run][::-1])}z"
        for run in _runs(time, low + high, near))


def value_axis(down: Scale) -> Markup:
    """Lines across at round values, two at least, each with its label above it, below it where there is no room."""
    count = max(2, down.height // 34)
    if len(value_ticks(down.low, down.high, count)) < 2:
        count *= 2
    digits = decimals_for(nice_step(down.high - down.low, count))
    out = Markup("")
    for value in value_ticks(down.low, down.high, count):
        y = TOP + float(down.y(value))
        out += Markup('<line class="grid" x1="0" x2="100%" y1="{y:.1f}" y2="{y:.1f}"/>'
                      '<text class="tick" x="4" y="{t:.1f}">{v:.{d}f}</text>').format(
            y=y, t=y - 3 if y >= TICK_TALL else y + TICK_TALL - 3, v=value + 0.0, d=digits)
    return out


def _limit(limit: Limit, down: Scale, panel: Panel) -> Markup:
    y = TOP + float(down.y(limit.value))
    return Markup('<line class="limit{a}" x1="0" x2="100%" y1="{y:.1f}" y2="{y:.1f}"/>'
                  '<text class="limit-label" x="100%" dx="-4" y="{t:.1f}" text-anchor="end">'
                  "{label} {v:.{d}f} {u}</text>"
                  ).format(a=" alarm" if limit.alarm else "", y=y, t=y - 4, label=limit.label, v=limit.value,
                           d=digits_for(limit.value), u=panel.unit)


def _grid_times(frame: Frame, height: int) -> Markup:
    return Markup("").join(Markup('<line class="grid time" x1="{x:.0f}" x2="{x:.0f}" y1="0" y2="{h}"/>').format(
        x=float(frame.x(at)), h=height) for at, _ in time_ticks(frame.start, frame.end, zone=frame.zone))


def _marks(frame: Frame, height: int) -> Markup:
    return Markup("").join(Markup('<line class="mark {level}" x1="{x:.0f}" x2="{x:.0f}" y1="0" y2="{h}"/>').format(
        level=level, x=float(frame.x(at)), h=height) for at, level in frame.marks)


def _shades(frame: Frame, height: int) -> Markup:
    """A gap is shaded from top to bottom; doubtful data have a bar along the foot."""
    def rects(name: str, spans: tuple[tuple[int, int], ...], y: int, tall: int) -> Markup:
        edges = [(max(float(frame.x(a)), 0.0), min(float(frame.x(b)), float(WIDTH))) for a, b in spans]
        return Markup("").join(
            Markup('<rect class="{}" x="{:.0f}" y="{}" width="{:.0f}" height="{}"/>').format(
                name, a, y, max(b - a, 12.0), tall) for a, b in edges if b > a)

    return rects("gap", frame.gaps, 0, height) + rects("doubt", frame.doubts, height - 5, 5)


def _bar(span: Span, y: int, frame: Frame) -> Markup:
    left = max(float(frame.x(span.start)), 0.0)
    right = min(float(frame.x(frame.end if span.end is None else span.end)), float(WIDTH))
    width = max(right - left, 40.0)                    # 0.4 % of the width: seen, even for a moment
    return Markup('<rect class="span {level}" x="{x:.0f}" y="{y}" width="{w:.0f}" height="7">'
                  "<title>{title}</title></rect>").format(
        level=span.level, x=min(left, WIDTH - width), y=y, w=width, title=span.title)


def _svg(inner: Markup, text: Markup, height: int, frame: Frame, label: str, down: Scale | None = None) -> Markup:
    axis = Markup("").join(_time_label(at, word, frame, height)
                            for at, word in time_ticks(frame.start, frame.end, zone=frame.zone))
    scale = Markup(' data-low="{:.6g}" data-high="{:.6g}"').format(down.low, down.high) if down else Markup("")
    return Markup(
        '<svg class="chart" role="img" aria-label="{label}" width="100%" height="{total}" data-start="{start}" '
        'data-end="{end}"{scale}><svg class="data" x="0" y="{top}" width="100%" height="{h}" viewBox="0 0 {w} {h}" '
        'preserveAspectRatio="none">{inner}</svg>{text}<g class="times">{axis}</g></svg>'
    ).format(label=label, total=height + TOP + BOTTOM, start=frame.start // 1_000_000, end=frame.end // 1_000_000,
             scale=scale, top=TOP, h=height, w=WIDTH, inner=inner, text=text, axis=axis)


def _time_label(at: int, word: str, frame: Frame, height: int) -> Markup:
    percent = float(frame.x(at)) * 100 / WIDTH
    anchor = "start" if percent < 4 else "end" if percent > 96 else "middle"
    return Markup('<text class="tick" x="{:.2f}%" y="{}" text-anchor="{}">{}</text>').format(
        percent, height + TOP + 14, anchor, word)


def _legend(panel: Panel) -> Markup:
    if len(panel.lines) < 2 and not any(line.dots for line in panel.lines):
        return Markup("")
    return Markup(" ").join(Markup(
        '<span class="key"><svg width="26" height="10" aria-hidden="true"><path class="line {}" d="M1,5H25"/></svg>'
        "{}</span>").format(line.style, line.label) for line in panel.lines)


def _describe(panel: Panel, frame: Frame) -> str:
    """What a reader who cannot see the plot is told."""
    parts = [f"{panel.title} in {panel.unit}, {clock(frame.start, frame.zone)} to {clock(frame.end, frame.zone)}."]
    for line in panel.lines:
        known = line.values[np.isfinite(line.values)]
        if known.size:
            parts.append(f"{line.label}: lowest {known.min():.3g}, highest {known.max():.3g}, last {known[-1]:.3g}.")
        else:
            parts.append(f"{line.label}: no values.")
    parts += [f"{limit.label}: {limit.value:.3g}." for limit in panel.limits]
    return " ".join(parts)


