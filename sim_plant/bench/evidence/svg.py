"""The few SVG pieces that pictures are made of, and their style sheet.

Greys are normal, colour is abnormal. Every text is escaped here and nowhere else.
"""

from __future__ import annotations

from html import escape

RED, AMBER = "#b3261e", "#e3a008"

# Text inherits the page's system font. Sizes are picture units: 820 of them are the width of a page.
STYLE = """
.run-picture{font:11px system-ui,-apple-system,"Segoe UI","Liberation Sans",Arial,sans-serif;fill:#1b1b1b}
.run-picture .frame{fill:none;stroke:#777;stroke-width:.8}
.run-picture .grid{stroke:#dcdcdc;stroke-width:.6}
.run-picture .limit{stroke:#333;stroke-width:.7;stroke-dasharray:1.5 2.5}
.run-picture .band{fill:#dedede;stroke:none}
.run-picture .curve{fill:none;stroke-linejoin:round}
.run-picture .main{stroke:#000;stroke-width:17}
.run-picture .second{stroke:#6b6b6b;stroke-width:10}
.run-picture .read{stroke:#000;stroke-width:9;stroke-dasharray:50 30}
.run-picture .mark{stroke:#333;stroke-width:.8;stroke-dasharray:6 3}
.run-picture .fail{stroke:#b3261e;stroke-width:2}
.run-picture .open{stroke:#9a6a00;stroke-width:2;stroke-dasharray:8 3}
.run-picture .seg{stroke:#777;stroke-width:.6}
.run-picture .on{fill:#4a4a4a}
.run-picture .small{font-size:10px}
.run-picture .soft{fill:#555}
.run-picture .strong{font-weight:700}
.run-picture .halo{paint-order:stroke;stroke:#fff;stroke-width:3px;stroke-linejoin:round}
""".strip()

_HATCH = (
    '<pattern id="{id}-{name}" width="6" height="6" patternUnits="userSpaceOnUse" '
    'patternTransform="rotate(45)">'
    '<rect width="6" height="6" fill="{ground}"/><rect width="1.6" height="6" fill="{line}"/></pattern>'
)
_DOTS = (
    '<pattern id="{id}-dots" width="5" height="5" patternUnits="userSpaceOnUse">'
    '<rect width="5" height="5" fill="#fff"/><circle cx="2" cy="2" r=".9" fill="#999"/></pattern>'
)
_PLAIN = {
    "rest": "#fff",
    "pale": "#ececec",
    "mid": "#c6c6c6",
    "dark": "#8c8c8c",
    "warn": AMBER,
    "alarm": RED,
    "stop": "#5a0b07",
}
_WHITE_TEXT = {"alarm", "stop"}


def patterns(prefix: str) -> str:
    """Hatches and dots, named apart by ``prefix`` because many pictures share one page."""
    hatches = (
        ("flush", "#fff", "#8a8a8a"),
        ("purge", "#c6c6c6", "#5f5f5f"),
        ("quality", "#f7dfa5", "#9a6a00"),
    )
    drawn = [_HATCH.format(id=prefix, name=name, ground=ground, line=line) for name, ground, line in hatches]
    return f"<defs>{''.join(drawn)}{_DOTS.format(id=prefix)}</defs>"


def fill_of(look: str, prefix: str) -> str:
    """Paint of a look: a plain tone, or one of the patterns."""
    return _PLAIN.get(look) or f"url(#{prefix}-{look})"


def code_text(x: float, y: float, code: str, look: str) -> str:
    """The two letters inside a segment, readable on its fill."""
    if look in _WHITE_TEXT:
        return text(x, y, code, "small strong", anchor="middle", fill="#fff")
    return text(x, y, code, "small halo", anchor="middle")


def text(x: float, y: float, words: str, css: str = "", anchor: str = "", fill: str = "") -> str:
    """One line of text."""
    return (
        f'<text x="{x:.1f}" y="{y:.1f}"'
        + (f' class="{css}"' if css else "")
        + (f' text-anchor="{anchor}"' if anchor else "")
        + (f' fill="{fill}"' if fill else "")
        + f">{escape(words)}</text>"
    )


def line(x1: float, y1: float, x2: float, y2: float, css: str) -> str:
    """One straight line."""
    return f'<line class="{css}" x1="{x1:.1f}" y1="{y1:.1f}" x2="{x2:.1f}" y2="{y2:.1f}"/>'


def rect(x: float, y: float, width: float, height: float, css: str, fill: str = "") -> str:
    """One rectangle."""
    paint = f' fill="{fill}"' if fill else ""
    return f'<rect class="{css}" x="{x:.1f}" y="{y:.1f}" width="{width:.1f}" height="{height:.1f}"{paint}/>'


def width_of(words: str, size: float = 11.0) -> float:
    """About how wide a text is; common sans fonts average a little over half their size per letter."""
    return 0.55 * size * len(words)
