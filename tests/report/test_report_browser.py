"""The weekly page as a reader's browser shows it: at three widths, in light and dark, and printed."""

from __future__ import annotations

import base64
import itertools
import re
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest

from farmwatch.report.page import html_page

from .conftest import Case

if TYPE_CHECKING:
    from selenium.webdriver import Chrome

WIDTHS = (360, 768, 1280)

# of every text that is seen: its colour and what lies behind it, blended from the page down, as [r, g, b] of 0..255
COLOURS = """
const parse = text => { const n = text.match(/[\\d.]+/g).map(Number); return n.length < 4 ? [...n, 1] : n; };
const over = (top, below) => [0, 1, 2].map(i => top[i] * top[3] + below[i] * (1 - top[3]));
const behind = node => {
  const chain = [];
  for (let at = node; at; at = at.parentElement) chain.unshift(at);
  return chain.reduce((seen, at) => over(parse(getComputedStyle(at).backgroundColor), seen), [255, 255, 255]);
};
const out = [];
const walk = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT);
while (walk.nextNode()) {
  const node = walk.currentNode.parentElement;
  if (!walk.currentNode.textContent.trim() || !node.getClientRects().length || node.closest('.skip')) continue;
  const look = getComputedStyle(node), back = behind(node);
  out.push([walk.currentNode.textContent.trim().slice(0, 40), over(parse(look.color), back), back,
            parseFloat(look.fontSize), parseInt(look.fontWeight)]);
}
return out;
"""
GRAPHICS = """
const parse = text => text.match(/[\\d.]+/g).slice(0, 3).map(Number);
const page = parse(getComputedStyle(document.body).backgroundColor);
return [...document.querySelectorAll('svg.trend .bar, svg.trend .tick')].slice(0, 40).map(
  node => [parse(getComputedStyle(node)[node.matches('.bar') ? 'fill' : 'stroke']), page]);
"""
# boxes that reach beyond the page, except inside a region that scrolls on its own
BEYOND = """
const wide = document.documentElement.clientWidth;
return [...document.body.querySelectorAll('*')].filter(node => {
  const box = node.getBoundingClientRect();
  return box.width && box.right > wide + 0.5 && !node.closest('.wide') && !node.matches('.skip');
}).map(node => node.outerHTML.slice(0, 80));
"""


def luminance(colour: list[float]) -> float:
    """Relative luminance as WCAG 2 defines it."""
    linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in (part / 255 for part in colour)]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def contrast(one: list[float], other: list[float]) -> float:
    bright, dark = sorted((luminance(one), luminance(other)), reverse=True)
    return (bright + 0.05) / (dark + 0.05)


def emulate(browser: Chrome, width: int, scheme: str = "light") -> None:
    screen = {"width": width, "height": 800, "deviceScaleFactor": 1, "mobile": width < 500}
    browser.execute_cdp_cmd("Emulation.setDeviceMetricsOverride", screen)
    feature = {"name": "prefers-color-scheme", "value": scheme}
    browser.execute_cdp_cmd("Emulation.setEmulatedMedia", {"media": "", "features": [feature]})


@pytest.fixture(scope="module")
def address(tmp_path_factory: pytest.TempPathFactory, case: Case, hostile: Case) -> str:
    folder: Path = tmp_path_factory.mktemp("pages")
    for name, told in (("plain", case), ("hostile", hostile)):
        (folder / f"{name}.html").write_text(html_page(told.contents), encoding="utf-8")
    return folder.as_uri()


@pytest.fixture
def browser(chromium: Chrome, address: str) -> Iterator[Chrome]:
    chromium.get_log("browser")  # what an earlier page said is not of this one
    emulate(chromium, 1280)
    chromium.get(f"{address}/plain.html")
    yield chromium
    chromium.execute_cdp_cmd("Emulation.clearDeviceMetricsOverride", {})
    chromium.execute_cdp_cmd("Emulation.setEmulatedMedia", {"media": "", "features": []})


def test_contrast_is_reckoned_as_published() -> None:
    assert contrast([0, 0, 0], [255, 255, 255]) == pytest.approx(21.0)
    # the grey that just passes on white
    assert contrast([118, 118, 118], [255, 255, 255]) == pytest.approx(4.54, abs=0.005)


@pytest.mark.parametrize("name", ["plain", "hostile"])
def test_the_page_loads_without_a_word_of_complaint(browser: Chrome, address: str, name: str) -> None:
    browser.get(f"{address}/{name}.html")
    assert browser.get_log("browser") == []
    assert browser.execute_script("return window.x === undefined && document.scripts.length === 0")
    broken = "return [...document.images].filter(i => !i.complete || !i.naturalWidth).map(i => i.alt)"
    assert browser.execute_script(broken) == []


@pytest.mark.parametrize("width", WIDTHS)
@pytest.mark.parametrize("name", ["plain", "hostile"])
def test_nothing_reaches_beyond_the_page(browser: Chrome, address: str, name: str, width: int) -> None:
    emulate(browser, width)
    browser.get(f"{address}/{name}.html")
    assert browser.execute_script("return document.documentElement.scrollWidth") <= width
    assert browser.execute_script(BEYOND) == []


def test_pictures_tables_and_headings_are_told_to_those_who_do_not_see(browser: Chrome) -> None:
    pictures = browser.execute_script("return [...document.images].map(i => i.alt)")
    assert len(pictures) > 12
    assert all(len(text) > 40 for text in pictures)
    tables = browser.execute_script(
        "return [...document.querySelectorAll('table')].map(t => t.caption?.innerText || '')"
    )
    assert len(tables) >= 3
    assert all(tables)
    levels = browser.execute_script("return [...document.querySelectorAll('h1,h2,h3,h4')].map(h => +h.tagName[1])")
    assert levels[0] == 1
    assert levels.count(1) == 1
    assert all(later - earlier <= 1 for earlier, later in itertools.pairwise(levels))


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_every_text_stands_out_from_what_is_behind_it(browser: Chrome, scheme: str) -> None:
    emulate(browser, 1280, scheme)
    texts: list[list[Any]] = browser.execute_script(COLOURS)
    assert len(texts) > 200
    page = browser.execute_script("return getComputedStyle(document.body).backgroundColor")
    red = int(re.findall(r"\d+", page)[0])
    assert (red > 200) == (scheme == "light")
    faint = []
    for text, colour, back, size, weight in texts:
        large = size >= 24 or (size >= 18.66 and weight >= 700)
        if contrast(colour, back) < (3.0 if large else 4.5):
            faint.append((text, colour, back))
    assert faint == []
    shapes = browser.execute_script(GRAPHICS)
    assert shapes
    assert all(contrast(colour, back) >= 3.0 for colour, back in shapes)


def test_the_first_screen_tells_the_week_and_what_needs_a_hand(browser: Chrome) -> None:
    top = "return document.querySelector(arguments[0]).getBoundingClientRect().top"
    below = [browser.execute_script(top, name) for name in (".sentence", ".gaps", "#hand li", "#unchecked")]
    assert below[:3] == sorted(below[:3])
    assert max(below) < 800


def test_the_page_prints_whole(browser: Chrome, case: Case) -> None:
    printed = browser.execute_cdp_cmd("Page.printToPDF", {"preferCSSPageSize": True, "printBackground": True})
    document = base64.b64decode(printed["data"])
    pages = len(re.findall(rb"/Type\s*/Page\b", document))
    findings = browser.execute_script("return document.querySelectorAll('.card').length")
    assert findings == len(case.findings)
    assert findings / 2 <= pages <= 2 * findings + 4
    boxes = {box.decode() for box in re.findall(rb"/MediaBox\s*\[([^\]]*)\]", document)}
    assert len(boxes) == 1
    width, height = (float(number) for number in boxes.pop().split()[2:])
    assert (width, height) == (pytest.approx(595, abs=2), pytest.approx(842, abs=2))


def test_nothing_is_cut_off_on_paper(browser: Chrome) -> None:
    """Laid out for print at the width between the margins of A4, nothing is wider and no picture taller than a page."""
    browser.execute_cdp_cmd("Emulation.setEmulatedMedia", {"media": "print"})
    sheet = {"width": round((210 - 26) / 25.4 * 96), "height": 1123, "deviceScaleFactor": 1, "mobile": False}
    browser.execute_cdp_cmd("Emulation.setDeviceMetricsOverride", sheet)
    assert browser.execute_script(BEYOND.replace("!node.closest('.wide') && ", "")) == []
    clipped = "return [...document.querySelectorAll('.wide')].filter(n => n.scrollWidth > n.clientWidth + 1).length"
    assert browser.execute_script(clipped) == 0
    tall = "return Math.max(...[...document.images].map(i => i.getBoundingClientRect().height))"
    assert 0 < browser.execute_script(tall) < 1000
