"""Pieces of HTML that both pages are made of. Pure."""

from collections.abc import Iterable, Sequence
from html import escape

from bridge.report.style import sheet

TABLE_ROWS = 20
"""Rows of a table that are open at once; the rest unfolds."""


def page(title: str, body: Iterable[str]) -> str:
    """A whole page that needs nothing else: no links, no scripts."""
    return (
        '<!DOCTYPE html>\n<html lang="en"><head><meta charset="utf-8">'
        '<meta name="viewport" content="width=device-width, initial-scale=1">'
        f"<title>{escape(title)}</title><style>{sheet()}</style></head><body><main>\n"
        + "\n".join(body)
        + "\n</main></body></html>\n"
    )


def section(title: str, *parts: str) -> str:
    """A part of the page under its heading; nothing where it would be empty."""
    inside = "\n".join(part for part in parts if part)
    return f"<section><h2>{escape(title)}</h2>\n<div>{inside}</div></section>" if inside else ""


def note(words: str) -> str:
    """A remark in small print."""
    return f'<p class="note">{escape(words)}</p>'


def figure(picture: str, caption: str = "", *, kind: str = "wide") -> str:
    """A picture that scrolls sideways on a small screen. `caption` is HTML."""
    under = f"<figcaption>{caption}</figcaption>" if caption else ""
    return f'<figure><div class="{kind}">{picture}</div>{under}</figure>' if picture else ""


def table(
    head: Sequence[str],
    rows: Sequence[Sequence[str]],
    *,
    foot: Sequence[str] = (),
    more: str = "rows",
    open_rows: int = TABLE_ROWS,
) -> str:
    """A table; cells are HTML. A heading that begins with ``>`` makes its column one of numbers.

    After `open_rows` rows the rest is folded away under "and n more `more`".
    """
    if not rows:
        return ""
    numbers = [name.startswith(">") for name in head]
    heading = "".join(
        f'<th scope="col"{_kind(number)}>{name.removeprefix(">")}</th>'
        for name, number in zip(head, numbers, strict=True)
    )
    lines = [_row(row, numbers) for row in rows]
    shown = lines if len(lines) <= open_rows + 3 else lines[:open_rows]
    rest = lines[len(shown) :]
    end = f"<tfoot>{_row(foot, numbers)}</tfoot>" if foot else ""

    def part(some: Sequence[str], end: str) -> str:
        body = f"<table><thead><tr>{heading}</tr></thead><tbody>{''.join(some)}</tbody>{end}</table>"
        return f'<div class="wide">{body}</div>'

    if not rest:
        return part(shown, end)
    summary = f"and {len(rest)} more {more}"
    return f"{part(shown, '')}<details><summary>{summary}</summary>{part(rest, end)}</details>"


def _row(cells: Sequence[str], numbers: Sequence[bool]) -> str:
    first, *others = cells
    rest = "".join(
        f"<td{_kind(number)}>{cell}</td>" for cell, number in zip(others, numbers[1:], strict=True)
    )
    return f'<tr><th scope="row">{first}</th>{rest}</tr>'


def _kind(number: bool) -> str:
    return ' class="n"' if number else ""


def facts(items: Iterable[tuple[str, str, str]]) -> str:
    """Named values with a remark each: (name, value as HTML, remark)."""
    cells = []
    for name, value, remark in items:
        small = f"<small>{escape(remark)}</small>" if remark else ""
        cells.append(f"<div><dt>{escape(name)}</dt><dd>{value}{small}</dd></div>")
    return f'<dl class="facts">{"".join(cells)}</dl>'
