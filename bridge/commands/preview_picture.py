"""A preview as a picture: SVG written by hand, or PNG by matplotlib."""

from pathlib import Path
from typing import Any
from xml.sax.saxutils import escape

from bridge.commands.preview_layout import Line, Rect, Sheet, Words, sheet
from bridge.errors import PermanentError
from rules.outlook.preview import Preview

FONT = "DejaVu Sans, Helvetica, Arial, sans-serif"
_HATCH_LINES = ("", "M-2,2 l4,-4 M0,8 l8,-8 M6,10 l4,-4", "M0,2 l8,0 M0,6 l8,0", "M2,0 l0,8 M6,0 l0,8")
_HATCH_MARKS = ("", "///", "---", "|||")


def draw(played: Preview, file: Path) -> None:
    """Draw `played` into `file`, SVG or PNG by its suffix.

    Raises PermanentError for a file that can't be written, or PNG without matplotlib.
    """
    try:
        if file.suffix.lower() == ".svg":
            file.write_text(svg(sheet(played)), encoding="utf-8")
        else:
            _png(sheet(played), file)
    except OSError as error:
        raise PermanentError(f"{file} can't be written: {error.strerror}.", subject=str(file)) from error


def svg(drawn: Sheet) -> str:
    """The sheet as an SVG document."""
    size = f'width="{drawn.width:g}" height="{drawn.height:g}" viewBox="0 0 {drawn.width:g} {drawn.height:g}"'
    lines = [
        '<?xml version="1.0" encoding="UTF-8"?>',
        f'<svg xmlns="http://www.w3.org/2000/svg" {size} font-family="{FONT}">',
        "<defs>",
    ]
    lines += [
        f'<pattern id="hatch{number}" width="8" height="8" patternUnits="userSpaceOnUse">'
        f'<path d="{path}" stroke="#ffffff" stroke-width="1.6" fill="none"/></pattern>'
        for number, path in enumerate(_HATCH_LINES)
        if path
    ]
    lines += ["</defs>", '<rect width="100%" height="100%" fill="#ffffff"/>']
    for shape in drawn.shapes:
        if isinstance(shape, Rect):
            place = (
                f'x="{shape.x:.2f}" y="{shape.y:.2f}" width="{shape.width:.2f}" height="{shape.height:.2f}"'
            )
            faint = f' fill-opacity="{shape.opacity:g}"' if shape.opacity < 1 else ""
            lines.append(f'<rect {place} fill="{shape.fill}"{faint}/>')
            if shape.hatch:
                lines.append(f'<rect {place} fill="url(#hatch{shape.hatch})"/>')
        elif isinstance(shape, Line):
            lines.append(
                f'<line x1="{shape.x1:.2f}" y1="{shape.y1:.2f}" x2="{shape.x2:.2f}" y2="{shape.y2:.2f}" '
                f'stroke="{shape.colour}"/>'
            )
        else:
            weight = ' font-weight="bold"' if shape.bold else ""
            lines.append(
                f'<text x="{shape.x:.2f}" y="{shape.y:.2f}" font-size="{shape.size:g}" fill="{shape.colour}" '
                f'text-anchor="{shape.anchor}" xml:space="preserve"{weight}>{escape(shape.text)}</text>'
            )
    return "\n".join([*lines, "</svg>", ""])


def _png(drawn: Sheet, file: Path) -> None:
    try:
        from matplotlib.backends.backend_agg import FigureCanvasAgg  # noqa: PLC0415 - an extra, slow to load
        from matplotlib.figure import Figure  # noqa: PLC0415 - an extra, slow to load
        from matplotlib.patches import Rectangle  # noqa: PLC0415 - an extra, slow to load
    except ImportError as error:
        raise PermanentError(
            "PNG needs matplotlib: install duskward[pictures], or ask for a picture that ends in .svg."
        ) from error
    dots = 144
    figure = Figure(figsize=(drawn.width / 96, drawn.height / 96), dpi=dots)
    FigureCanvasAgg(figure)
    axes = figure.add_axes((0.0, 0.0, 1.0, 1.0))
    axes.set_xlim(0, drawn.width)
    axes.set_ylim(drawn.height, 0)
    axes.axis("off")
    sides = {"start": "left", "middle": "center", "end": "right"}
    for shape in drawn.shapes:
        if isinstance(shape, Rect):
            patch = Rectangle(
                (shape.x, shape.y), shape.width, shape.height, facecolor=shape.fill, alpha=shape.opacity,
                edgecolor="#ffffff" if shape.hatch else "none", linewidth=0, hatch=_HATCH_MARKS[shape.hatch],
            )  # fmt: skip
            axes.add_patch(patch)
        elif isinstance(shape, Line):
            axes.plot(
                (shape.x1, shape.x2), (shape.y1, shape.y2), color=shape.colour, linewidth=0.75, zorder=0
            )
        else:
            _write(axes, shape, sides[shape.anchor])
    figure.savefig(file)


def _write(axes: Any, words: Words, side: str) -> None:  # noqa: ANN401 - of an optional library
    # A text of n px is n * 72/96 points high; "$" would begin a formula.
    axes.text(
        words.x, words.y, words.text, fontsize=words.size * 0.75, color=words.colour, ha=side, va="baseline",
        fontweight="bold" if words.bold else "normal", parse_math=False,
    )  # fmt: skip
