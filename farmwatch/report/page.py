"""The weekly report as one HTML page: no script, nothing from outside, every text from the records escaped."""

from __future__ import annotations

import base64
import hashlib
import re
from collections.abc import Iterable
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path

from jinja2 import Environment
from markupsafe import Markup

from farmwatch.report.charts import draw, trend_svg
from farmwatch.report.contents import WeeklyContents
from farmwatch.report.finding_part import FindingPart
from farmwatch.report.pictures import Picture
from farmwatch.report.room import Daily
from farmwatch.report.subjects import SubjectRow, Trend
from farmwatch.report.templates import templates_in

_HERE = Path(__file__).parent


@dataclass(frozen=True)
class Shown:
    """A drawn picture, ready to stand in a page."""

    source: str
    alt: str
    title: str
    width: int
    height: int


@lru_cache(maxsize=128)
def shown(picture: Picture | Daily) -> Shown:
    """Draw a picture into a data address of its own; width and height in CSS pixels. Drawn once for the same contents:
    a notebook shows them again and again.
    """
    svg = draw(picture)
    size = re.search(r'width="([\d.]+)pt" height="([\d.]+)pt"', svg)
    width, height = (round(float(value) * 4 / 3) for value in size.groups()) if size else (450, 280)
    data = base64.b64encode(svg.encode("utf-8")).decode("ascii")
    return Shown(f"data:image/svg+xml;base64,{data}", picture.alt, picture.title, width, height)


def anchor(finding_id: str) -> str:
    """A fragment that any id can have: its letters and digits, and a digest so that no two ids meet."""
    plain = re.sub(r"[^A-Za-z0-9]+", "-", finding_id).strip("-")[:40]
    return f"f-{plain}-{hashlib.sha256(finding_id.encode('utf-8', 'surrogatepass')).hexdigest()[:6]}"


def ratio_words(row: SubjectRow) -> str:
    """``2.0 (1.7 to 2.4)``: failed over expected with its interval; too little for one is said."""
    if row.ratio != row.ratio:
        return "too little to say"
    low, high = (f"{value:.1f}" for value in (row.ratio_low, row.ratio_high))
    return f"{row.ratio:.1f} ({low} to {high})"


def number(value: float) -> str:
    return f"{value:.1f}" if value < 100 else f"{value:,.0f}"


def _environment() -> Environment:
    environment = templates_in(_HERE)
    environment.filters.update(number=number, ratio=ratio_words, whole=lambda value: f"{value:.0f}")
    environment.globals.update(anchor=anchor, shown=shown, trend=trend_markup)
    return environment


def trend_markup(trend: Trend) -> Markup:
    """Numbers only go into this picture, so it may stand in the page as it is."""
    return Markup(trend_svg(trend))


def html_page(contents: WeeklyContents) -> str:
    """The whole page. The same contents give the same page, byte for byte."""
    css = Markup((_HERE / "weekly.css").read_text(encoding="utf-8"))
    return bound(clean(_environment().get_template("weekly.html.j2").render(c=contents, css=css)))


def html_card(part: FindingPart) -> str:
    """One finding as a piece of HTML that brings its own style and leaves that of the page around it alone."""
    macros = _environment().get_template("parts.html.j2").module
    return framed(str(macros.card(part)))  # type: ignore[attr-defined]


def html_pictures(pictures: Iterable[Picture | Daily]) -> str:
    """Pictures side by side, as a piece of HTML."""
    macros = _environment().get_template("parts.html.j2").module
    figures = "".join(str(macros.figure(shown(picture))) for picture in pictures)  # type: ignore[attr-defined]
    return framed(f'<div class="pictures">{figures}</div>')


def framed(inside: str) -> str:
    """HTML under the report's style, for a page that is not the report's."""
    css = (_HERE / "weekly.css").read_text(encoding="utf-8")
    nested = re.sub(r"(?m)^( *)(:root|body) \{", r"\1& {", css)
    return clean(f'<div class="farmwatch"><style>.farmwatch {{ {nested} }}</style>{inside}</div>')


def bound(text: str) -> str:
    """No line breaks between a number and its per cent."""
    return re.sub(r"(\d) %", "\\1\u00a0%", text)


def clean(text: str) -> str:
    """Without characters that HTML and files in UTF-8 cannot hold: control characters and lone surrogates."""
    return re.sub("[\x00-\x08\x0b\x0c\x0e-\x1f\x7f\ud800-\udfff]", "\ufffd", text)
