"""Draws an oven from above or from the side with its channels, as SVG.

On a page that may be edited every channel is a button that can be dragged or moved by keys.
"""

from __future__ import annotations

from xml.sax.saxutils import escape, quoteattr

from ovenwright.reporting.ink import Ink, haloed, marker
from ovenwright.reporting.oven_scene import ROW, Scene, Spot, Stand, View
from ovenwright.reporting.words import plain


def oven_picture(scene: Scene, ink: Ink, *, editable: bool = False) -> str:
    """Return the picture of a scene as an SVG element."""
    title = f"{scene.oven} from {'above' if scene.view is View.ABOVE else 'the side'}"
    said = "; ".join(f"{s.name}, {s.words}" for s in scene.spots) or "no channels yet"
    ident = f"oven-{scene.view.value}"
    role = (
        f'role="group" aria-label={quoteattr(title)} data-view="{scene.view.value}" '
        f'data-left="{scene.left:g}" data-top="{scene.top:g}" data-wide="{scene.wide:g}" '
        f'data-deep="{scene.deep:g}" data-length="{scene.length_m:g}"'
        if editable
        else f'role="img" aria-labelledby="t-{ident} d-{ident}"'
    )
    names = (
        ""
        if editable
        else f'<title id="t-{ident}">{escape(title)}</title>'
        f'<desc id="d-{ident}">{escape(said)}</desc>'
    )
    out = [
        f'<svg xmlns="http://www.w3.org/2000/svg" id="{ident}" {role} class="chart oven" '
        f'viewBox="0 0 {scene.width:g} {scene.height:g}" font-family="{ink.font}" '
        f'font-size="13">{names}'
    ]
    out += _tunnel(scene, ink) if scene.kind == "tunnel" else _chamber(scene, ink)
    for spot in scene.spots:
        out += _leader(scene, spot, ink)
    for spot in scene.spots:
        out.append(_pin(scene, spot, ink, editable=editable))
    out.append("</svg>")
    return "".join(out)


def _text(x: float, y: float, words: str, ink: Ink, **more: object) -> str:
    rest = "".join(f' {k.replace("_", "-")}="{v}"' for k, v in more.items())
    if "fill" not in more:
        rest += f' fill="{ink.faint}"'
    return f'<text x="{x:.1f}" y="{y:.1f}"{rest}>{escape(words)}</text>'


def _tunnel(scene: Scene, ink: Ink) -> list[str]:
    left, top, wide, deep = scene.left, scene.top, scene.wide, scene.deep
    bottom = top + deep
    out = []
    for i, (name, words, start, end) in enumerate(scene.zones):
        if i % 2 == 0:
            out.append(
                f'<rect x="{start:.1f}" y="{top}" width="{end - start:.1f}" '
                f'height="{deep:.1f}" fill="{ink.zone}"/>'
            )
        middle = (start + end) / 2
        room = int((end - start) / 7.2)
        out.append(
            _text(middle, top - 24, _short(name, room), ink, fill=ink.text, text_anchor="middle")
        )
        out.append(_text(middle, top - 8, words, ink, text_anchor="middle"))
        out.append(
            f'<line x1="{start:.1f}" x2="{start:.1f}" y1="{top}" y2="{bottom:.1f}" stroke="{ink.grid}"/>'
        )
    out.append(
        f'<rect x="{left}" y="{top}" width="{wide:.1f}" height="{deep:.1f}" fill="none" '
        f'stroke="{ink.text}" stroke-width="1.5"/>'
    )
    out.append(
        f'<rect x="16" y="{top}" width="220" height="{deep:.1f}" rx="6" fill="none" '
        f'stroke="{ink.faint}" stroke-width="1.2" stroke-dasharray="5 4"/>'
    )
    out.append(_text(16, top - 24, "with the product", ink, fill=ink.text))
    out.append(_text(16, top - 8, "rides through all zones", ink))
    if scene.view is View.ABOVE:
        for band in scene.bands:
            out.append(
                f'<line x1="16" x2="{left + wide:.1f}" y1="{band.top:.1f}" y2="{band.top:.1f}" '
                f'stroke="{ink.grid}" stroke-dasharray="2 4"/>'
            )
            out.append(
                _text(
                    left + wide - 6,
                    band.top + 16,
                    band.name or "lane not given",
                    ink,
                    text_anchor="end",
                )
            )
    else:
        out += _product(scene, ink)
        out.append(
            f'<line x1="16" x2="{left + wide:.1f}" y1="{bottom:.1f}" y2="{bottom:.1f}" '
            f'stroke="{ink.text}" stroke-width="3"/>'
        )
        out.append(_text(left + wide - 6, bottom - 6, "belt, height 0", ink, text_anchor="end"))
        out.append(
            _text(
                left + wide - 6,
                top + 16,
                f"{plain(scene.across_m, 2)} m high",
                ink,
                text_anchor="end",
            )
        )
    y = bottom + 18
    out.append(
        f'<path d="M{left:.1f} {y:.1f}h{wide - 10:.1f}m-7 -5l8 5l-8 5" fill="none" '
        f'stroke="{ink.faint}" stroke-width="1.3"/>'
    )
    out.append(
        _text(
            left + wide / 2,
            y + 20,
            f"travel, {plain(scene.length_m, 1)} m",
            ink,
            text_anchor="middle",
        )
    )
    return out


def _product(scene: Scene, ink: Ink) -> list[str]:
    if scene.product is None:
        return []
    x, y, wide, tall = scene.product
    if scene.product_round:
        shape = (
            f'<ellipse cx="{x + wide / 2:.1f}" cy="{y + tall / 2:.1f}" rx="{wide / 2:.1f}" '
            f'ry="{tall / 2:.1f}"'
        )
    else:
        shape = f'<rect x="{x:.1f}" y="{y:.1f}" width="{wide:.1f}" height="{tall:.1f}" rx="10"'
    size = f"{plain(scene.product_m * 1000, 0)} mm" if scene.product_m else "size not given"
    return [
        f'{shape} fill="{ink.zone}" stroke="{ink.faint}" stroke-width="1.3"/>',
        _text(
            x + wide / 2, scene.top + scene.deep + 20, f"product, {size}", ink, text_anchor="middle"
        ),
    ]


def _chamber(scene: Scene, ink: Ink) -> list[str]:
    left, top, wide, deep = scene.left, scene.top, scene.wide, scene.deep
    middle = left + wide / 2
    above = scene.view is View.ABOVE
    bay = max(110.0, ROW * sum(s.stand is Stand.LOOSE for s in scene.spots) + 14)
    return [
        f'<rect x="{left}" y="{top}" width="{wide:.1f}" height="{deep:.1f}" fill="{ink.zone}" '
        f'stroke="{ink.text}" stroke-width="1.5"/>',
        f'<path d="M{middle:.1f} {top}v{deep:.1f}M{left} {top + deep / 2:.1f}h{wide:.1f}" '
        f'stroke="{ink.grid}" stroke-dasharray="2 4" fill="none"/>',
        _text(
            middle,
            top + deep + 20,
            f"x, {plain(scene.length_m, 2)} m wide",
            ink,
            text_anchor="middle",
        ),
        _text(
            left,
            top - 10,
            f"y is 0 at this edge, {plain(scene.across_m, 2)} m at the one below"
            if above
            else f"z, {plain(scene.across_m, 2)} m high, 0 at the bottom",
            ink,
        ),
        _text(16, top - 10, "no place yet", ink, fill=ink.text),
        f'<rect x="16" y="{top}" width="220" height="{bay:.1f}" rx="6" fill="none" '
        f'stroke="{ink.faint}" stroke-width="1.2" stroke-dasharray="5 4"/>',
    ]


def _leader(scene: Scene, spot: Spot, ink: Ink) -> list[str]:
    u, v = spot.u + spot.aside_u, spot.v + spot.aside_v
    out = []
    if spot.aside_u or spot.aside_v:
        out.append(
            f'<path d="M{spot.u:.1f} {spot.v:.1f}L{u:.1f} {v:.1f}" stroke="{ink.faint}" fill="none"/>'
            f'<circle cx="{spot.u:.1f}" cy="{spot.v:.1f}" r="2" fill="{ink.faint}"/>'
        )
    if scene.product is not None and spot.stand is Stand.RIDES:
        out.append(
            f'<path d="M{u:.1f} {v:.1f}L{spot.label_u - 5:.1f} {spot.label_v:.1f}" '
            f'stroke="{ink.grid}" fill="none"/>'
        )
    return out


def _pin(scene: Scene, spot: Spot, ink: Ink, *, editable: bool) -> str:
    u, v = spot.u + spot.aside_u, spot.v + spot.aside_v
    name = _short(spot.name, 22 if scene.product is None or spot.stand is not Stand.RIDES else 15)
    anchor = "end" if spot.label_end else "start"
    place = f'x="{spot.label_u:.1f}" y="{spot.label_v + 4:.1f}" text-anchor="{anchor}"'
    inside = marker(spot.index, u, v, ink, 6.0) + haloed(place, name, ink)
    if not editable:
        return f"<g>{inside}</g>"
    long = 7.0 * len(name) + 4
    start = spot.label_u - long if spot.label_end else spot.label_u - 4
    grab = (
        f'<circle cx="{u:.1f}" cy="{v:.1f}" r="13" fill="transparent"/>'
        f'<rect x="{start:.1f}" y="{spot.label_v - 13:.1f}" width="{long:.1f}" height="26" '
        'fill="transparent"/>'
    )
    label = f"{spot.name}, {spot.words}"
    return (
        f'<g class="pin" id="pin-{scene.view.value}-{spot.index}" role="button" tabindex="0" '
        f'data-channel="{spot.index}" data-u="{spot.u:.1f}" data-v="{spot.v:.1f}" '
        f'aria-label={quoteattr(label)} aria-describedby="pin-help">{inside}{grab}</g>'
    )


def _short(text: str, most: int) -> str:
    return text if len(text) <= most else text[: max(most - 1, 1)] + "…"
