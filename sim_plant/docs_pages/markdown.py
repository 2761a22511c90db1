"""The little Markdown that generated pages are made of."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

NOTE = "<!-- Written by `python -m sim_plant.docs_pages` from the code. Change the code, not this page. -->"


def page(title: str, *parts: str) -> str:
    """A whole page: title, the note that it is generated, then the parts, one blank line between them."""
    return "\n\n".join([f"# {title}", NOTE, *(part.strip("\n") for part in parts)]) + "\n"


def table(head: Sequence[str], rows: Iterable[Sequence[str]]) -> str:
    """A pipe table; what would break a cell or pass for HTML is escaped outside code spans."""
    lines = [_line(head), _line(["---"] * len(head))]
    lines += [_line([cell(text) for text in row]) for row in rows]
    return "\n".join(lines)


def cell(text: str) -> str:
    """Text that is safe in a cell.

    >>> cell("a | b < c"), cell("`x < y`")
    ('a \\\\| b &lt; c', '`x < y`')
    """
    pieces = text.replace("|", "\\|").replace("\n", " ").split("`")
    pieces[::2] = [piece.replace("<", "&lt;").replace("*", "\\*") for piece in pieces[::2]]
    return "`".join(pieces)


def code(text: str) -> str:
    """A name as it stands in a file; nothing for an empty one."""
    return f"`{text}`" if text else ""


def codes(names: Iterable[str]) -> str:
    """Names as they stand in a file, with commas."""
    return ", ".join(code(name) for name in names)


def number(value: object) -> str:
    """A number without superfluous digits.

    >>> number(120.0), number(0.05), number(20000.0)
    ('120', '0.05', '20000')
    """
    return f"{value:.10g}" if isinstance(value, (int, float)) else str(value)


def span(lo: float, hi: float) -> str:
    """A range in words."""
    return f"{number(lo)} to {number(hi)}"


def _line(cells: Sequence[str]) -> str:
    return "| " + " | ".join(cells) + " |"
