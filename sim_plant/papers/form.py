"""What a paper is made of: sections with sentences and tables. How it looks is the template's business."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import NamedTuple


class Cell(NamedTuple):
    """One cell of a table. ``small`` stands beneath in small print; ``css`` "fill" is filled in by hand."""

    text: str
    small: str = ""
    css: str = ""


FILL = Cell("", css="fill")
Content = str | Cell


@dataclass(frozen=True)
class Table:
    """A table with its head on every page. ``widths`` are shares of the page in percent, one a column."""

    head: Sequence[str]
    rows: Sequence[Sequence[Content]]
    widths: Sequence[int] = ()
    css: str = ""


@dataclass(frozen=True)
class Section:
    """A heading with sentences, a list of points, tables."""

    title: str
    sentences: Sequence[str] = ()
    points: Sequence[str] = ()
    tables: Sequence[Table] = ()
    css: str = ""


@dataclass(frozen=True)
class Paper:
    """One paper. ``csv`` is the list that programs read, ``wide`` lays the page on its side."""

    name: str
    title: str
    sections: Sequence[Section]
    csv: Table | None = None
    wide: bool = False
    signed: bool = True
    cautions_whole: bool = False


def text_of(content: Content) -> str:
    """A cell as one line for a list."""
    if isinstance(content, str):
        return content
    return " ".join(filter(None, (content.text, content.small)))
