"""The hand that all pictures share: size, colours, lettering, and SVG that is the same for the same contents."""

from __future__ import annotations

import datetime as dt
import io
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from functools import cache
from typing import Any

import matplotlib
from matplotlib.axes import Axes
from matplotlib.backends.backend_svg import FigureCanvasSVG
from matplotlib.figure import Figure
from matplotlib.font_manager import findfont, get_font

from farmwatch.report import words

# blue and orange keep apart for every kind of colour vision, and by lightness in grey
INK = "#1c2126"
SUBJECT = "#1d4f7c"
BEFORE = "#9fb9cf"
EXPECTED = "#a84b00"
PEER = "#6f757b"
QUIET = "#c9cdd1"
BAND = "#f3dcc4"
WIDTH_IN = 4.3

STYLE: dict[Any, Any] = {
    "font.family": "DejaVu Sans",
    "font.size": 9.0,
    "text.parse_math": False,
    "axes.edgecolor": INK,
    "axes.labelcolor": INK,
    "axes.linewidth": 0.7,
    "axes.spines.top": False,
    "axes.spines.right": False,
    "axes.formatter.useoffset": False,
    "axes.unicode_minus": True,
    "text.color": INK,
    "xtick.color": INK,
    "ytick.color": INK,
    "xtick.labelsize": 8.0,
    "ytick.labelsize": 8.0,
    "hatch.linewidth": 0.5,
    "svg.fonttype": "path",
    "svg.hashsalt": "farmwatch",
    "path.simplify": True,
}


@contextmanager
def style() -> Iterator[None]:
    """Draw in the report's hand, whatever the reader's own Matplotlib settings are."""
    with matplotlib.rc_context():
        matplotlib.rcdefaults()
        matplotlib.rcParams.update(STYLE)
        yield


def sheet(
    height_in: float = 2.9, left_in: float = 0.58, right_in: float = 0.14, bottom_in: float = 0.52, top_in: float = 0.08
) -> tuple[Figure, Axes]:
    """A figure with one pair of axes that never touches Matplotlib's global state of figures.

    Margins are given, in inches: to let Matplotlib find them would draw every picture twice.
    """
    figure = Figure(figsize=(WIDTH_IN, height_in))
    FigureCanvasSVG(figure)
    across, up = WIDTH_IN - left_in - right_in, height_in - bottom_in - top_in
    box = (left_in / WIDTH_IN, bottom_in / height_in, across / WIDTH_IN, up / height_in)
    return figure, figure.add_axes(box)


def label_room(labels: Iterable[str]) -> float:
    """Inches that tick labels in bold take at most, with room to breathe."""
    return 0.2 + 0.077 * max((len(label) for label in labels), default=0)


def svg(figure: Figure) -> str:
    """The figure as SVG without date or maker, its lettering as outlines."""
    page = io.StringIO()
    figure.savefig(page, format="svg", metadata={"Date": None, "Creator": None, "Format": None, "Type": None})
    text = page.getvalue()
    return text[text.index("<svg") :]


@cache
def _glyphs() -> frozenset[int]:
    return frozenset(get_font(findfont("DejaVu Sans")).get_charmap())


def lettering(text: str, limit: int = 26) -> str:
    """Record text that can be drawn: glyphs that the font lacks become ``?``, long texts lose their middle."""
    drawn = "".join(char if ord(char) in _glyphs() and char.isprintable() else "?" for char in text)
    return drawn if len(drawn) <= limit else f"{drawn[: limit - 8]}…{drawn[-7:]}"


def on_axis(day: dt.date) -> float:
    """A day as a place along x."""
    return float(day.toordinal())


def day_ticks(axes: Axes, first: dt.date, last: dt.date, most: int = 5) -> None:
    """Few dates along x, in the report's own words; the year stands under the first and wherever it changes."""
    total = (last - first).days
    steps = (1, 2, 3, 7, 14, 28, 56, 91, 182, 364, 728, 1456, 3640)
    step = next((step for step in steps if total / step <= most), steps[-1])
    days = [first + dt.timedelta(days=i) for i in range(0, total + 1, step)] or [first]
    labels = [
        words.date(day, False) + (f"\n{day.year}" if i == 0 or day.year != days[i - 1].year else "")
        for i, day in enumerate(days)
    ]
    axes.set_xticks([on_axis(day) for day in days], labels)
