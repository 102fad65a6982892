"""The report's drawings, as SVG that stands in the page: lines, hatches and words, readable in black and white.

Every function takes plain figures and gives markup; text in it is escaped. Lengths are in SVG user units.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from decimal import Decimal

from markupsafe import Markup, escape

from assistant.trade.judging import Limit

HATCH = Markup(
    '<pattern id="hatch" width="6" height="6" patternUnits="userSpaceOnUse" patternTransform="rotate(45)">'
    '<rect class="paper" width="6" height="6"/><line class="thin" x1="0" y1="0" x2="0" y2="6"/></pattern>'
    '<pattern id="dots" width="5" height="5" patternUnits="userSpaceOnUse">'
    '<rect class="paper" width="5" height="5"/><circle class="ink" cx="1.5" cy="1.5" r="0.8"/></pattern>'
)
"""hatch: outside the limit. dots: within it, to watch. One definition serves every drawing of a page."""


@dataclass(frozen=True)
class Point:
    """One value over time. label: of the visit."""

    label: str
    value: Decimal


@dataclass(frozen=True)
class Span:
    """One timed part of the sequence, in seconds. verdict: how it stands, in words."""

    name: str
    seconds: Decimal
    limit: Limit | None
    verdict: str


def definitions() -> Markup:
    """The patterns; once in a page, before its first drawing."""
    return Markup('<svg class="definitions" width="0" height="0" aria-hidden="true"><defs>{}</defs></svg>').format(
        HATCH
    )


def gauge(value: Decimal, uncertainty: Decimal | None, limit: Limit) -> Markup:
    """One reading on the scale of its limit: hatched is outside, dotted is to watch, the bar is ± U.

    An empty text where the limit has no bound to draw.
    """
    known = [b for b in (limit.low, limit.caution_low, limit.caution_high, limit.high) if b is not None]
    if not known or limit.wants_open:
        return Markup("")
    width, height = 120.0, 18.0
    low, high = _span([value, *known, *(() if limit.low is not None or limit.caution_low is not None else (Decimal(0),))])

    def x(figure: Decimal) -> float:
        return _between(figure, low, high) * width

    parts = [_line("axis", 0, 9, width, 9)]
    parts += _bands(limit, low, high, lambda a, b, name: _rect(name, x(a), 3, x(b) - x(a), 12))
    parts += [_line("bound", x(b), 1, x(b), 17) for b in known]
    if uncertainty is not None:
        parts.append(_line("spread", x(max(low, value - uncertainty)), 9, x(min(high, value + uncertainty)), 9))
    parts.append(Markup('<path class="mark" d="M{:.1f} 9 l4 -5 l4 5 l-4 5 z"/>').format(x(value) - 4))
    return _svg(width, height, "the reading on the scale of its limit", parts, "gauge")


def over_visits(points: Sequence[Point], limit: Limit | None, unit: str, title: str) -> Markup:
    """A value over visits, oldest first, with the limit's bands behind it."""
    width, height, left, top, right, bottom = 620.0, 190.0, 44.0, 14.0, 12.0, 26.0
    known = _bounds(limit)
    low, high = _span([*(p.value for p in points), *known, Decimal(0)])
    low = max(low, Decimal(0)) if all(p.value >= 0 for p in points) else low

    def y(figure: Decimal) -> float:
        return height - bottom - _between(figure, low, high) * (height - top - bottom)

    step = (width - left - right) / max(len(points), 1)
    xs = [left + step * (place + 0.5) for place in range(len(points))]
    parts: list[Markup] = []
    if limit:
        parts += _bands(
            limit, low, high, lambda a, b, name: _rect(name, left, y(b), width - left - right, y(a) - y(b))
        )
    parts += [_line("bound", left, y(b), width - right, y(b)) for b in known]
    parts += [_text(left - 4, y(b) + 4, f"{b:f}", "end") for b in _apart(known, y)]
    parts += [_line("axis", left, top, left, height - bottom), _line("axis", left, y(low), width - right, y(low))]
    parts.append(_text(4, top - 3, unit, "start"))
    path = " ".join(f"{'M' if not place else 'L'}{x:.1f} {y(p.value):.1f}" for place, (x, p) in enumerate(zip(xs, points, strict=True)))
    parts.append(Markup('<path class="trend" d="{}"/>').format(path))
    for x, point in zip(xs, points, strict=True):
        parts.append(Markup('<circle class="mark" cx="{:.1f}" cy="{:.1f}" r="4"/>').format(x, y(point.value)))
        parts.append(_text(x, y(point.value) - 8, f"{point.value:f}", "middle", "figure"))
        parts.append(_text(x, height - 8, point.label, "middle"))
    told = ", ".join(f"{p.label}: {p.value:f} {unit}" for p in points)
    return _svg(width, height, f"{title}. {told}", parts, "wide")


def sequence(spans: Sequence[Span]) -> Markup:
    """The timed parts of lighting, one after the other; the bracket under each is what its limit allows for."""
    row, left, right, top, bottom = 34.0, 160.0, 150.0, 8.0, 24.0
    width, height = 620.0, 8.0 + 34.0 * len(spans) + 24.0
    starts = [sum((s.seconds for s in spans[:place]), Decimal(0)) for place in range(len(spans))]
    furthest = max([start + max([s.seconds, *_bounds(s.limit)]) for s, start in zip(spans, starts, strict=True)])
    _, high = _span([Decimal(0), furthest])

    def x(seconds: Decimal) -> float:
        return left + _between(seconds, Decimal(0), high) * (width - left - right)

    parts: list[Markup] = []
    for tick in _ticks(high):
        parts.append(_line("grid", x(tick), top, x(tick), height - bottom))
        parts.append(_text(x(tick), height - 8, f"{tick:f}", "middle"))
    parts.append(_text(width - right + 30, height - 8, "seconds", "start"))
    for place, (span, start) in enumerate(zip(spans, starts, strict=True)):
        y = top + row * place
        parts.append(_text(left - 6, y + 15, span.name, "end"))
        parts.append(_rect("span", x(start), y + 4, x(start + span.seconds) - x(start), 14))
        parts.append(_text(width - right + 30, y + 15, f"{span.seconds:f} s, {span.verdict}", "start", "figure"))
        known = _bounds(span.limit)
        if known:
            first = span.limit.low if span.limit and span.limit.low is not None else Decimal(0)
            a, b = x(start + first), x(start + max(known))
            parts.append(Markup('<path class="bracket" d="M{0:.1f} {2:.1f} v4 H{1:.1f} v-4"/>').format(a, b, y + 21))
    told = "; ".join(f"{s.name}: {s.seconds:f} s, {s.verdict}" for s in spans)
    return _svg(width, height, f"Timing of the sequence. {told}", parts, "wide")


def _bounds(limit: Limit | None) -> list[Decimal]:
    if limit is None:
        return []
    return [b for b in (limit.low, limit.caution_low, limit.caution_high, limit.high) if b is not None]


def _bands(limit: Limit, low: Decimal, high: Decimal, draw: Callable[[Decimal, Decimal, str], Markup]) -> list[Markup]:
    """What is outside the limit, and what is within it and to watch, from `low` to `high` of the scale."""
    bands: list[Markup] = []
    if limit.low is not None:
        bands.append(draw(low, limit.low, "outside"))
    if limit.caution_low is not None:
        bands.append(draw(limit.low if limit.low is not None else low, limit.caution_low, "watch"))
    if limit.caution_high is not None:
        bands.append(draw(limit.caution_high, limit.high if limit.high is not None else high, "watch"))
    if limit.high is not None:
        bands.append(draw(limit.high, high, "outside"))
    return bands


def _span(figures: Sequence[Decimal]) -> tuple[Decimal, Decimal]:
    """The ends of a scale that holds all figures, with a little room."""
    low, high = min(figures), max(figures)
    room = (high - low) / 6 or Decimal(1)
    return low - room, high + room


def _between(figure: Decimal, low: Decimal, high: Decimal) -> float:
    return float(min(max((figure - low) / (high - low), Decimal(0)), Decimal(1)))


def _apart(bounds: Sequence[Decimal], y: Callable[[Decimal], float]) -> list[Decimal]:
    """The bounds whose labels would not lie on one another."""
    kept: list[Decimal] = []
    for bound in bounds:
        if all(abs(y(bound) - y(other)) > 11 for other in kept):
            kept.append(bound)
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
        'aria-label="{2}">{3}</svg>'
    ).format(width, height, told, Markup("").join(parts), name)


def _line(name: str, x1: float, y1: float, x2: float, y2: float) -> Markup:
    return Markup('<line class="{}" x1="{:.1f}" y1="{:.1f}" x2="{:.1f}" y2="{:.1f}"/>').format(name, x1, y1, x2, y2)


def _rect(name: str, x: float, y: float, width: float, height: float) -> Markup:
    return Markup('<rect class="{}" x="{:.1f}" y="{:.1f}" width="{:.1f}" height="{:.1f}"/>').format(
        name, x, y, max(width, 0.0), max(height, 0.0)
    )


def _text(x: float, y: float, text: str, anchor: str, name: str = "label") -> Markup:
    return Markup('<text class="{}" x="{:.1f}" y="{:.1f}" text-anchor="{}">{}</text>').format(
        name, x, y, anchor, escape(text)
    )
