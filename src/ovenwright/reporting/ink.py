"""Ink for pictures: colour, marker and dash go together, so none of them is needed alone.

Two inks: ``page`` uses CSS custom properties, so one drawing serves light, dark and print;
``paper`` uses fixed colours and a named font for the PDF.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from xml.sax.saxutils import escape

from ovenwright.reporting.words import plain

# Okabe & Ito's colour-blind-safe set, darkened where it is too pale for a thin line on white
COLOURS = ("#0072b2", "#d55e00", "#007d5a", "#b0478c", "#8a6d00", "#3f8fc4", "#5b5b5b", "#7b3f00")
DARK_COLOURS = (
    "#56b4e9", "#ff8c42", "#2fd09a", "#e39ac4", "#e6c229", "#9fd3f5", "#c8c8c8", "#d9a066",
)  # fmt: skip
DASHES = ("", "7 3", "2 3", "9 3 2 3")
MARKERS = (
    "circle", "square", "triangle", "diamond", "cross", "plus", "star", "ring", "point down",
)  # fmt: skip
"""One more than there are colours, so that 72 channels differ by colour and marker alone."""


@dataclass(frozen=True, slots=True)
class Ink:
    """Colours and font of one medium."""

    text: str
    faint: str
    grid: str
    ground: str
    bad: str
    doubt: str
    zone: str
    limit: str
    font: str
    css: bool

    def colour(self, look: int) -> str:
        """Return the colour of a look."""
        if look < 0:
            return self.text
        index = look % len(COLOURS)
        return f"var(--line-{index})" if self.css else COLOURS[index]


PAPER = Ink(
    "#1c1c1c", "#5a5a5a", "#d9d9d9", "#ffffff", "#c2410c", "#b58900", "#f1efe9", "#1c1c1c",
    "Liberation Sans, DejaVu Sans, sans-serif", css=False,
)  # fmt: skip
PAGE = Ink(
    "var(--ink)", "var(--faint)", "var(--rule)", "var(--ground)", "var(--poor)", "var(--open)",
    "var(--zone)", "var(--ink)", "inherit", css=True,
)  # fmt: skip


def dash_of(look: int) -> str:
    """Return the dash pattern of a look: it changes once every colour has been used."""
    return DASHES[(look // len(COLOURS)) % len(DASHES)]


def marker_of(look: int) -> str:
    """Return the marker name of a look."""
    return MARKERS[look % len(MARKERS)]


def marker(look: int, x: float, y: float, ink: Ink, size: float = 4.0) -> str:
    """Return the marker of a look at a point."""
    colour = ink.colour(look)
    s = size
    solid = f'fill="{colour}" stroke="{ink.ground}" stroke-width="0.8"'
    open_ = f'fill="none" stroke="{colour}" stroke-width="1.8"'
    shapes = {
        "circle": f'<circle cx="{x:.1f}" cy="{y:.1f}" r="{s}" {solid}/>',
        "square": f'<rect x="{x - s:.1f}" y="{y - s:.1f}" width="{2 * s}" height="{2 * s}" {solid}/>',
        "triangle": f'<path d="M{x:.1f} {y - s * 1.2:.1f}l{s * 1.2:.1f} {s * 2.1:.1f}h{-2.4 * s:.1f}z" {solid}/>',
        "diamond": f'<path d="M{x:.1f} {y - s * 1.3:.1f}l{s * 1.3:.1f} {s * 1.3:.1f}l{-s * 1.3:.1f} {s * 1.3:.1f}l{-s * 1.3:.1f} {-s * 1.3:.1f}z" {solid}/>',
        "cross": f'<path d="M{x - s:.1f} {y - s:.1f}l{2 * s} {2 * s}m0 {-2 * s}l{-2 * s} {2 * s}" {open_}/>',
        "plus": f'<path d="M{x - s * 1.2:.1f} {y:.1f}h{2.4 * s:.1f}M{x:.1f} {y - s * 1.2:.1f}v{2.4 * s:.1f}" {open_}/>',
        "star": f'<path d="M{x - s:.1f} {y:.1f}h{2 * s}M{x - s / 2:.1f} {y - s:.1f}l{s} {2 * s}m0 {-2 * s}l{-s} {2 * s}" {open_}/>',
        "point down": f'<path d="M{x:.1f} {y + s * 1.2:.1f}l{s * 1.2:.1f} {-s * 2.1:.1f}h{-2.4 * s:.1f}z" {solid}/>',
        "ring": f'<circle cx="{x:.1f}" cy="{y:.1f}" r="{s}" {open_}/>',
    }
    return shapes[marker_of(look)]


def haloed(place: str, words: str, ink: Ink) -> str:
    """Return words that stay readable over lines: a rim in the ground's colour lies beneath.

    Two elements and no ``paint-order``, which not every drawer of SVG knows.
    """
    said = escape(words)
    return (
        f'<text {place} fill="{ink.ground}" stroke="{ink.ground}" stroke-width="3.5" '
        f'stroke-linejoin="round" aria-hidden="true">{said}</text>'
        f'<text {place} fill="{ink.text}">{said}</text>'
    )


def ticks(low: float, high: float, about: int) -> list[float]:
    """Return round tick values covering an interval."""
    span = high - low
    if not span > 0:
        return [low]
    rough = span / max(about, 1)
    power = 10.0 ** math.floor(math.log10(rough))
    step = next(m * power for m in (1, 2, 5, 10) if m * power >= rough)
    first = math.ceil(low / step - 1e-9) * step
    return [round(first + i * step, 10) for i in range(int((high - first) / step + 1e-9) + 1)]


def tick_text(value: float, step: float) -> str:
    """Return a tick's label with as many decimals as the step needs."""
    decimals = max(0, -math.floor(math.log10(step) + 1e-9)) if step > 0 else 0
    return plain(value, decimals)


def open_svg(
    ident: str, title: str, alt: str, ink: Ink, *, size: tuple[float, float], frame: str = ""
) -> str:
    """Return the opening of an SVG element with its title and its words."""
    width, height = size
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {width:g} {height:g}" role="img" '
        f'aria-labelledby="t-{ident} d-{ident}" font-family="{ink.font}" font-size="12" class="chart"{frame}>'
        f'<title id="t-{ident}">{escape(title)}</title><desc id="d-{ident}">{escape(alt)}</desc>'
    )
