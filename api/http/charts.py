"""Drawing curves and bars as SVG, in the size given, without any script or font from elsewhere."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from html import escape
from math import floor, log10

from fastapi import Response

INK, QUIET, LIGHT = "#2a2320", "#6b6058", "#e4dccd"
CURVE, STEPS, ALARM = "#0072b2", "#d55e00", "#a3001e"
_TEXT = 'font-family="Gill Sans, Trebuchet MS, DejaVu Sans, sans-serif"'
_LEFT, _RIGHT, _TOP, _BOTTOM = 62.0, 14.0, 34.0, 40.0

Point = tuple[float, float]


@dataclass(slots=True, kw_only=True)
class Plot:
    """One diagram with its axes from 0; ``x_max`` and ``y_max`` are in the units of the data.

    ``left`` and ``top`` are its corner in the picture, ``width`` and ``height`` its size with
    axes and title, in pixels.
    """

    title: str
    x_label: str
    y_label: str
    x_max: float
    y_max: float
    left: float = 0.0
    top: float = 0.0
    width: float = 420.0
    height: float = 260.0
    _drawn: list[str] = field(default_factory=list)

    def x(self, value: float) -> float:
        """Return the pixel of a value on the axis across."""
        room = self.width - _LEFT - _RIGHT
        return round(self.left + _LEFT + value / self.x_max * room, 1)

    def y(self, value: float) -> float:
        """Return the pixel of a value on the axis upwards."""
        room = self.height - _TOP - _BOTTOM
        return round(self.top + _TOP + (1 - value / self.y_max) * room, 1)

    def line(self, points: Iterable[Point], ink: str, *, dashed: bool = False) -> None:
        """Draw a curve; what lies above the diagram is left out."""
        inside = [(x, y) for x, y in points if 0 <= x <= self.x_max and 0 <= y <= self.y_max]
        path = " ".join(f"{self.x(x)},{self.y(y)}" for x, y in inside)
        dash = ' stroke-dasharray="3 3"' if dashed else ""
        self._drawn.append(
            f'<polyline points="{path}" fill="none" stroke="{ink}" stroke-width="1.6"{dash}/>'
        )

    def steps(self, points: Sequence[Point], ink: str, *, dashed: bool = False) -> None:
        """Draw a curve that stays level from each point to the next."""
        corners: list[Point] = []
        for x, y in points:
            if corners:
                corners.append((x, corners[-1][1]))
            corners.append((x, y))
        self.line(corners, ink, dashed=dashed)

    def ticks(self, points: Iterable[Point], ink: str, label: str) -> None:
        """Mark points on a curve by short strokes across it."""
        for x, y in points:
            if x <= self.x_max:
                at, level = self.x(x), self.y(y)
                mark = f'd="M{at} {level - 4:.1f}v8" stroke="{ink}" stroke-width="0.5"'
                self._drawn.append(f"<path {mark}><title>{escape(label)}</title></path>")

    def upright(self, x: float, label: str, ink: str) -> None:
        """Draw an upright line with a text beside it."""
        at, above, below = self.x(x), self.y(self.y_max), self.y(0)
        side, shift = ("end", -5) if x > self.x_max / 2 else ("start", 5)
        self._drawn.append(
            f'<path d="M{at} {above}V{below}" stroke="{ink}" stroke-dasharray="5 3"/>'
        )
        self._drawn.append(words(at + shift, above + 12, label, ink=ink, anchor=side))

    def bars(self, values: Sequence[float], labels: Sequence[str], ink: str) -> None:
        """Draw one bar for each value, side by side over the whole width."""
        step = self.x_max / max(len(values), 1)
        for n, (value, label) in enumerate(zip(values, labels, strict=True)):
            at, wide = self.x((n + 0.15) * step), self.x(0.7 * step) - self.x(0)
            high = self.y(0) - self.y(value)
            self._drawn.append(
                f'<rect x="{at}" y="{self.y(value)}" width="{wide:.1f}" height="{high:.1f}" '
                f'fill="{ink}"/>'
            )
            middle = at + wide / 2
            self._drawn.append(words(middle, self.y(0) + 14, label, ink=QUIET, anchor="middle"))

    def svg(self, *, x_ticks: bool = True) -> str:
        """Return the diagram as a group of SVG elements."""
        right, ground = self.x(self.x_max), self.y(0)
        parts = [words(self.x(0), self.top + 16, self.title, size=12)]
        for value in round_values(self.y_max):
            parts.append(f'<path d="M{self.x(0)} {self.y(value)}H{right}" stroke="{LIGHT}"/>')
            at = self.x(0) - 6, self.y(value) + 4
            parts.append(words(*at, f"{value:,g}", ink=QUIET, anchor="end"))
        for value in round_values(self.x_max) if x_ticks else ():
            at = self.x(value), ground + 14
            parts.append(words(*at, f"{value:,g}", ink=QUIET, anchor="middle"))
        parts += [
            f'<path d="M{self.x(0)} {ground}H{right}" stroke="{INK}"/>',
            words(right, ground + 30, self.x_label, ink=QUIET, anchor="end"),
            words(self.x(0), self.top + 29, self.y_label, ink=QUIET),
        ]
        return "".join([*parts, *self._drawn])


def words(
    x: float, y: float, text: str, *, ink: str = INK, anchor: str = "start", size: float = 11
) -> str:
    """Return a text as an SVG element, standing on ``y``."""
    return (
        f'<text x="{x:.1f}" y="{y:.1f}" text-anchor="{anchor}" fill="{ink}" font-size="{size:g}">'
        f"{escape(text)}</text>"
    )


def round_values(most: float) -> list[float]:
    """Return from 4 to 10 round values from 0 up to ``most``, evenly spaced."""
    rough = most / 5
    power = 10.0 ** floor(log10(rough))
    step = next(each * power for each in (1, 2, 5, 10) if each * power >= rough * 0.999)
    return [n * step for n in range(floor(most / step + 1e-9) + 1)]


def picture(parts: Iterable[str], *, width: float, height: float, label: str) -> Response:
    """Return SVG elements as one picture, with a text for those who do not see it."""
    document = (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {width:g} {height:g}" '
        f'width="{width:g}" height="{height:g}" role="img" aria-label="{escape(label)}" {_TEXT} '
        f'font-size="11"><rect width="100%" height="100%" fill="#fffdf8"/>{"".join(parts)}</svg>'
    )
    return Response(document, media_type="image/svg+xml")
