"""The report's drawings, as SVG that stands in the page: lines, hatches and words, readable in black and white.

Every function takes plain figures and gives markup; text in it is escaped. Lengths are in SVG user units.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from decimal import Decimal
from typing import TypeVar

from markupsafe import Markup

from assistant.trade.judging import Limit

T = TypeVar("T")

_STYLE = {
    "hatch": 'fill="none" stroke="#111" stroke-width="1.2"',
    "dots": 'fill="none" stroke="#111" stroke-width="1.8" stroke-linecap="round" stroke-dasharray="0 5"',
    "axis": 'stroke="#111" stroke-width="1"',
    "grid": 'stroke="#bbb" stroke-width="1"',
    "bound": 'stroke="#111" stroke-width="1" stroke-dasharray="3 2"',
    "spread": 'stroke="#111" stroke-width="4"',
    "mark": 'fill="#111" stroke="#fff" stroke-width="1"',
    "trend": 'fill="none" stroke="#111" stroke-width="2"',
    "span": 'fill="#555" stroke="#111" stroke-width="1"',
    "bracket": 'fill="none" stroke="#111" stroke-width="1.2"',
    "label": 'font-size="11" fill="#111"',
    "figure": 'font-size="11" font-weight="bold" fill="#111"',
}
"""How each kind of line looks. In the drawing itself, since a style sheet of the page does not reach into it when
it is printed by every program; no patterns, since those are found by name across drawings."""


@dataclass(frozen=True)
class Point:
    """One value over time. label: of the visit. at_s: when it was, from any moment; None where nobody knows."""

    label: str
    value: Decimal
    at_s: float | None = None


@dataclass(frozen=True)
class Span:
    """One timed part of the sequence. start_s, seconds: from the first of them. verdict: how it stands, in words."""

    name: str
    start_s: Decimal
    seconds: Decimal
    limit: Limit | None
    verdict: str


def gauge(value: Decimal, uncertainty: Decimal | None, limit: Limit) -> Markup:
    """One reading on the scale of its limit: hatched is outside, dotted is to watch, the bar is ± U.

    value: as it is held against the limit (`Limit.held`). An empty text where the limit has no bound to draw.
    """
    known = _bounds(limit)
    if not known or limit.wants_open:
        return Markup("")
    width, height = 120.0, 18.0
    low, high = _span(
        [value, *known, *(() if limit.low is not None or limit.caution_low is not None else (Decimal(0),))]
    )

    def x(figure: Decimal) -> float:
        return _between(figure, low, high) * width

    parts = [_line("axis", 0, 9, width, 9)]
    parts += _bands(limit, low, high, lambda a, b, name: _band(name, x(a), 3, x(b) - x(a), 12))
    parts += [_line("bound", x(b), 1, x(b), 17) for b in known]
    if uncertainty is not None:
        parts.append(_line("spread", x(max(low, value - uncertainty)), 9, x(min(high, value + uncertainty)), 9))
    parts.append(_path("mark", f"M{x(value) - 4:.1f} 9 l4 -5 l4 5 l-4 5 z"))
    return _svg(width, height, "the reading on the scale of its limit", parts, "gauge")


def over_visits(points: Sequence[Point], limit: Limit | None, unit: str, title: str, width: float = 620.0) -> Markup:
    """A value over visits, oldest first, with the limit's bands behind it: on a scale of time where each has one."""
    height, left, top, right, bottom = 190.0, 44.0, 14.0, 12.0, 26.0
    known = _bounds(limit)
    figures = [*(p.value for p in points), *known]
    if 2 * min(figures) < max(figures):  # else all would lie flat, far above nothing
        figures.append(Decimal(0))
    low, high = _span(figures)
    low = max(low, Decimal(0)) if all(p.value >= 0 for p in points) else low

    def y(figure: Decimal) -> float:
        return height - bottom - _between(figure, low, high) * (height - top - bottom)

    spots = [
        (left + (width - left - right) * place, y(point.value), point)
        for place, point in zip(_places(points), points, strict=True)
    ]
    parts: list[Markup] = []
    if limit:
        parts += _bands(limit, low, high, lambda a, b, name: _band(name, left, y(b), width - left - right, y(a) - y(b)))
    parts += [_line("bound", left, y(b), width - right, y(b)) for b in known]
    parts += [_text(left - 4, y(b) + 4, f"{b:f}", "end") for b in _apart(known, y, 11)]
    parts += [_line("axis", left, top, left, height - bottom), _line("axis", left, y(low), width - right, y(low))]
    parts.append(_text(4, top - 3, unit, "start"))
    parts.append(_path("trend", "M" + " L".join(f"{x:.1f} {at:.1f}" for x, at, _ in spots)))
    parts += [_circle("mark", x, at, 4) for x, at, _ in spots]
    for x, at, point in _apart(spots, lambda spot: spot[0], 40):
        parts.append(_text(x, at - 8, f"{point.value:f}", "middle", "figure"))
    for x, _, point in _apart(spots, lambda spot: spot[0], 6 * max(len(point.label) for point in points)):
        parts.append(_text(x, height - 8, point.label, "middle"))
    told = ", ".join(f"{p.label}: {p.value:f} {unit}" for p in points)
    return _svg(width, height, f"{title}. {told}", parts, "wide")


def sequence(spans: Sequence[Span]) -> Markup:
    """The timed parts of lighting in time; the bracket under each is what its limit allows for."""
    row, left, right, top, bottom = 34.0, 160.0, 150.0, 8.0, 24.0
    width, height = 620.0, top + row * len(spans) + bottom
    furthest = max(s.start_s + max([s.seconds, *_bounds(s.limit)]) for s in spans)
    _, high = _span([Decimal(0), furthest])

    def x(seconds: Decimal) -> float:
        return left + _between(seconds, Decimal(0), high) * (width - left - right)

    parts: list[Markup] = []
    for tick in _ticks(high):
        parts.append(_line("grid", x(tick), top, x(tick), height - bottom))
        parts.append(_text(x(tick), height - 8, f"{tick:f}", "middle"))
    parts.append(_text(width - right + 30, height - 8, "seconds", "start"))
    for place, span in enumerate(spans):
        y, start = top + row * place, span.start_s
        parts.append(_text(left - 6, y + 15, span.name, "end"))
        parts.append(_path("span", f"M{x(start):.1f} {y + 4:.1f} v14 H{x(start + span.seconds):.1f} v-14 z"))
        parts.append(_text(width - right + 30, y + 15, f"{span.seconds:f} s, {span.verdict}", "start", "figure"))
        known = _bounds(span.limit)
        if known:
            first = span.limit.low if span.limit and span.limit.low is not None else Decimal(0)
            a, b = x(start + first), x(start + max(known))
            parts.append(_path("bracket", f"M{a:.1f} {y + 21:.1f} v4 H{b:.1f} v-4"))
    told = "; ".join(f"{s.name}: {s.seconds:f} s, {s.verdict}" for s in spans)
    return _svg(width, height, f"Timing of the sequence. {told}", parts, "wide")


def _bounds(limit: Limit | None) -> list[Decimal]:
    return list(limit.bounds.values()) if limit else []


def _bands(limit: Limit, low: Decimal, high: Decimal, draw: Callable[[Decimal, Decimal, str], Markup]) -> list[Markup]:
    """What is outside the limit, and what is within it and to watch, from `low` to `high` of the scale."""
    bands = (
        (low, limit.low, "outside"),
        (low if limit.low is None else limit.low, limit.caution_low, "watch"),
        (limit.caution_high, high if limit.high is None else limit.high, "watch"),
        (limit.high, high, "outside"),
    )
    return [draw(first, last, name) for first, last, name in bands if first is not None and last is not None]


def _span(figures: Sequence[Decimal]) -> tuple[Decimal, Decimal]:
    """The ends of a scale that holds all figures, with a little room."""
    low, high = min(figures), max(figures)
    room = (high - low) / 6 or Decimal(1)
    return low - room, high + room


def _between(figure: Decimal, low: Decimal, high: Decimal) -> float:
    return float(min(max((figure - low) / (high - low), Decimal(0)), Decimal(1)))


def _places(points: Sequence[Point]) -> list[float]:
    """Where each lies, from 0 to 1: by its time where all have one, else one after the other."""
    times = [point.at_s for point in points if point.at_s is not None]
    if len(times) < len(points) or max(times) == min(times):
        return [(place + 0.5) / len(points) for place in range(len(points))]
    return [0.1 + 0.8 * (at_s - min(times)) / (max(times) - min(times)) for at_s in times]


def _apart(labelled: Sequence[T], at: Callable[[T], float], room: float) -> list[T]:
    """Those whose labels, each of which takes so much room, would not lie on one another."""
    kept: list[T] = []
    for each in labelled:
        if all(abs(at(each) - at(other)) > room for other in kept):
            kept.append(each)
    return kept


def _ticks(high: Decimal) -> list[Decimal]:
    """Round figures from 0, four to eight of them."""
    for size in (1, 2, 5, 10, 20, 30, 60, 120, 300, 600):
        if high / size <= 8:
            return [Decimal(size * place) for place in range(int(high / size) + 1)]
    return [Decimal(0)]


def _svg(width: float, height: float, told: str, parts: Sequence[Markup], name: str) -> Markup:
    return Markup(
        '<svg class="{4}" viewBox="0 0 {0:.0f} {1:.0f}" width="{0:.0f}" height="{1:.0f}" role="img" '
        'aria-label="{2}" font-family="Liberation Sans, DejaVu Sans, Arial, sans-serif">{3}</svg>'
    ).format(width, height, told, Markup("").join(parts), name)


def _line(name: str, x1: float, y1: float, x2: float, y2: float) -> Markup:
    return _path(name, f"M{x1:.1f} {y1:.1f} L{x2:.1f} {y2:.1f}")


def _path(name: str, d: str) -> Markup:
    return Markup('<path {} d="{}"/>').format(Markup(_STYLE[name]), d)


def _circle(name: str, x: float, y: float, radius: float) -> Markup:
    return Markup('<circle {} cx="{:.1f}" cy="{:.1f}" r="{}"/>').format(Markup(_STYLE[name]), x, y, radius)


def _band(name: str, x: float, y: float, width: float, height: float) -> Markup:
    """An area of a scale: "outside" is hatched, "watch" is dotted."""
    if width < 1 or height < 1:
        return Markup("")
    if name == "watch":
        rows = [f"M{x + 1.5:.1f} {y + at:.1f} h{width - 3:.1f}" for at in range(3, int(height), 5) if width > 3]
        return _path("dots", " ".join(rows))
    lines = []
    for start in range(-int(height), int(width), 6):  # from the lower edge up to the right, cut at the sides
        first, last = max(0.0, -start), min(height, width - start)
        if last > first:
            lines.append(
                f"M{x + start + first:.1f} {y + height - first:.1f} L{x + start + last:.1f} {y + height - last:.1f}"
            )
    return _path("hatch", " ".join(lines))


def _text(x: float, y: float, text: str, anchor: str, name: str = "label") -> Markup:
    return Markup('<text {} x="{:.1f}" y="{:.1f}" text-anchor="{}">{}</text>').format(
        Markup(_STYLE[name]), x, y, anchor, text
    )
