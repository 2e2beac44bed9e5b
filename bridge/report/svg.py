"""Small pictures as SVG text, drawn for this report. Pure: numbers in, text out.

Colours come from the page's style sheet through class names, so that they follow light, dark and print.
Each picture has a title for those who do not see it. Lengths are in the picture's own units (about a pixel).
"""

import math
from collections.abc import Iterable, Sequence
from html import escape

WIDTH = 720.0
"""Of a picture that fills the page."""
LEFT, TOP, BOTTOM = 58.0, 8.0, 26.0
LEAST = 1e-300
"""What is smaller can't be divided any more, and is nothing on any scale."""


def number(value: float) -> str:
    """A coordinate: a tenth of a unit is finer than any screen."""
    return f"{value:.1f}".removesuffix(".0")


def ticks(most: float, about: int = 4) -> list[float]:
    """Round values from 0 to `most`, about as many as asked for; 0 alone where that is next to nothing."""
    if not most > LEAST:
        return [0.0]
    step = 10.0 ** math.floor(math.log10(most / about))
    step *= next(factor for factor in (1.0, 2.0, 2.5, 5.0, 10.0) if step * factor * about >= most * 0.999)
    return [step * at for at in range(math.floor(most / step * 1.001) + 1)]


def tick_text(value: float) -> str:
    """A tick as short as it can be."""
    return f"{value:.6g}"


def picture(width: float, height: float, title: str, parts: Iterable[str], *, name: str = "") -> str:
    """The whole picture."""
    kind = f' class="{name}"' if name else ""
    return (
        f'<svg{kind} viewBox="0 0 {number(width)} {number(height)}" role="img" aria-label="{escape(title)}">'
        f"<title>{escape(title)}</title>{''.join(parts)}</svg>"
    )


def rect(x: float, y: float, width: float, height: float, name: str, *, hint: str = "") -> str:
    """A box; `hint` is shown by a pointer that rests on it."""
    inside = f"><title>{escape(hint)}</title></rect>" if hint else "/>"
    return (
        f'<rect class="{name}" x="{number(x)}" y="{number(y)}" width="{number(width)}" '
        f'height="{number(max(0.0, height))}"{inside}'
    )


def line(x1: float, y1: float, x2: float, y2: float, name: str) -> str:
    """A straight line."""
    return f'<line class="{name}" x1="{number(x1)}" y1="{number(y1)}" x2="{number(x2)}" y2="{number(y2)}"/>'


def text(x: float, y: float, words: str, *, anchor: str = "start", name: str = "label") -> str:
    """Words at a place; anchor: start, middle or end."""
    return (
        f'<text class="{name}" x="{number(x)}" y="{number(y)}" text-anchor="{anchor}">{escape(words)}</text>'
    )


def path(points: Sequence[tuple[float, float]], name: str, *, closed: bool = False) -> str:
    """A line through points."""
    steps = "L".join(f"{number(x)} {number(y)}" for x, y in points)
    return f'<path class="{name}" d="M{steps}{"Z" if closed else ""}"/>'


def diamond(x: float, y: float, size: float, name: str, *, hint: str = "") -> str:
    """A fault's mark: told apart by its shape as well as by its colour."""
    inside = f"><title>{escape(hint)}</title></path>" if hint else "/>"
    corners = f"M{number(x)} {number(y - size)}L{number(x + size)} {number(y)}L{number(x)} {number(y + size)}"
    return f'<path class="{name}" d="{corners}L{number(x - size)} {number(y)}Z"{inside}'


def ring(x: float, y: float, size: float, name: str, *, hint: str = "") -> str:
    """A lighter fault's mark."""
    inside = f"><title>{escape(hint)}</title></circle>" if hint else "/>"
    return f'<circle class="{name}" cx="{number(x)}" cy="{number(y)}" r="{number(size)}"{inside}'


def two_way_bars(
    labels: Sequence[str], up: Sequence[float], down: Sequence[float], *, title: str, unit: str, every: int
) -> str:
    """Bars above a line for what was taken and below it for what was saved, on one scale.

    every: each how many-th label is written.
    """
    most_up, most_down = max(up, default=0.0), max(down, default=0.0)
    whole = (most_up + most_down) or 1.0
    height = 250.0
    scale = (height - TOP - BOTTOM - 14) / whole
    zero = TOP + 7 + most_up * scale
    parts = []
    step = ticks(max(most_up, most_down), 4)
    for value in step:
        for sign, most in ((-1, most_up), (1, most_down)):
            if value <= most * 1.001 and (value > 0.0 or sign < 0):
                y = zero + sign * value * scale
                parts += [
                    line(LEFT, y, WIDTH, y, "axis" if value == 0.0 else "grid"),
                    text(LEFT - 6, y + 5, tick_text(value), anchor="end"),
                ]
    parts.append(text(0, TOP + 10, unit, name="unit"))
    room = (WIDTH - LEFT) / max(1, len(labels))
    bar = max(1.0, min(26.0, room * 0.72))
    for at, label in enumerate(labels):
        x = LEFT + room * at + (room - bar) / 2
        hint = f"{label}: {up[at]:.2f} {unit} taken, {down[at]:.2f} {unit} saved"
        parts.append(rect(x, zero - up[at] * scale, bar, up[at] * scale, "taken", hint=hint))
        if down[at] > 0.0:
            parts.append(rect(x, zero, bar, down[at] * scale, "saved", hint=hint))
        if at % every == 0:
            parts.append(text(x + bar / 2, height - 6, label, anchor="middle" if at else "start"))
    return picture(WIDTH, height, title, parts)


def counts(labels: Sequence[str], values: Sequence[int], *, title: str, every: int = 1) -> str:
    """How often, as columns with their numbers on top."""
    width, height, base = 400.0, 160.0, 132.0
    most = max((*values, 1))
    room = width / len(values)
    parts = [line(0, base, width, base, "axis")]
    for at, value in enumerate(values):
        x, tall = room * at, value / most * (base - 24)
        if value:
            parts += [
                rect(x + room * 0.14, base - tall, room * 0.72, tall, "fault"),
                text(x + room / 2, base - tall - 5, str(value), anchor="middle"),
            ]
        if at % every == 0:
            parts.append(text(x + room / 2, base + 19, labels[at], anchor="middle"))
    return picture(width, height, title, parts)


def share_bar(share: float, name: str = "taken") -> str:
    """A share of the largest as a bar in a table; 0 to 1."""
    return (
        f'<svg class="share" viewBox="0 0 100 10" preserveAspectRatio="none" aria-hidden="true">'
        f"{rect(0, 0, 100 * min(1.0, max(0.0, share)), 10, name)}</svg>"
    )


def strip(
    spans: Iterable[tuple[float, float, str, str]], *, title: str, width: float = 560.0, height: float = 16.0
) -> str:
    """A bar of time, whole where nothing is wrong; spans are (begin, end, class, words) as shares 0 to 1."""
    parts = [rect(0, 0, width, height, "well")]
    for begin, end, name, hint in spans:
        wide = max(2.0, (end - begin) * width)
        parts.append(rect(min(begin * width, width - wide), 0, wide, height, name, hint=hint))
    return (
        f'<svg class="strip" viewBox="0 0 {number(width)} {number(height)}" preserveAspectRatio="none" '
        f'role="img" aria-label="{escape(title)}"><title>{escape(title)}</title>{"".join(parts)}</svg>'
    )
