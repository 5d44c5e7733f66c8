"""The desk in a real browser: parts are touched on the drawn plate, and their rows stand in the records."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Iterator
from typing import TYPE_CHECKING, Any

import pytest
import uvicorn

from farmwatch.desk import build_app, open_desk
from farmwatch.store import Farm
from tests.desk.test_log_forms import file_finding

if TYPE_CHECKING:
    from selenium.webdriver import Chrome

Rows = Callable[..., list[dict[str, object]]]
WIDTHS = (360, 768, 1280)
PAGES = (
    "/",
    "/printers",
    "/printer?id=fir",
    "/run?id=R1",
    "/run?printer=fir&like=R2",
    "/run?printer=fir&parts=40",
    "/service",
    "/coupons?kind=pads&printer_id=fir",
    "/findings",
    "/finding?id=F310320-abcd",
)
# fingers in gloves: everything that can be touched, except parts, which a narrow screen scrolls to
SMALL = """
return [...document.querySelectorAll("a, button, select, textarea, summary, input:not([type=hidden])")]
  .map((e) => [e.outerHTML.slice(0, 80), e.getBoundingClientRect()])
  .filter(([, r]) => r.width > 0 && (r.height < 47.5 || r.width < 47.5)).map(([html]) => html)
"""


@pytest.fixture
def address(farm: Farm) -> Iterator[str]:
    """A desk that serves in a thread."""
    opened = open_desk(farm, "127.0.0.1", 0, None)
    config = uvicorn.Config(build_app(opened.desk), log_config=None, lifespan="off", ws="none")
    server = uvicorn.Server(config)
    thread = threading.Thread(target=server.run, kwargs={"sockets": [opened.bound]})
    thread.start()
    while not server.started:
        time.sleep(0.02)
    yield f"http://127.0.0.1:{opened.bound.getsockname()[1]}"
    server.should_exit = True
    thread.join(20)
    opened.bound.close()


def set_width(chromium: Chrome, width: int, scheme: str = "light") -> None:
    screen = {"width": width, "height": 900, "deviceScaleFactor": 1, "mobile": False}
    chromium.execute_cdp_cmd("Emulation.setDeviceMetricsOverride", screen)
    media = {"features": [{"name": "prefers-color-scheme", "value": scheme}]}
    chromium.execute_cdp_cmd("Emulation.setEmulatedMedia", media)


@pytest.fixture
def window(chromium: Chrome) -> Iterator[Chrome]:
    chromium.get_log("browser")
    set_width(chromium, 768)
    yield chromium
    chromium.execute_cdp_cmd("Emulation.clearDeviceMetricsOverride", {})
    chromium.execute_cdp_cmd("Emulation.setEmulatedMedia", {"features": []})
    chromium.execute_cdp_cmd("Emulation.setScriptExecutionDisabled", {"value": False})
    chromium.get("about:blank")


def touch(window: Chrome, css: str) -> None:
    """Press where the middle of an element is drawn, as a finger does."""
    from selenium.webdriver import ActionChains
    from selenium.webdriver.common.by import By

    element = window.find_element(By.CSS_SELECTOR, css)
    window.execute_script("arguments[0].scrollIntoView({block: 'center', inline: 'center'})", element)
    ActionChains(window).move_to_element(element).click().perform()


def press_save(window: Chrome) -> str:
    """Save; the text of the page that comes."""
    from selenium.webdriver.common.by import By
    from selenium.webdriver.support.ui import WebDriverWait

    before = window.find_element(By.TAG_NAME, "html")
    touch(window, ".save button")
    WebDriverWait(window, 20).until(lambda w: w.find_element(By.TAG_NAME, "html") != before)
    return window.find_element(By.TAG_NAME, "main").text


@pytest.mark.parametrize("script", [True, False])
def test_parts_touched_on_the_plate_come_into_the_records(
    window: Chrome, address: str, rows: Rows, script: bool
) -> None:
    window.execute_cdp_cmd("Emulation.setScriptExecutionDisabled", {"value": not script})
    window.get(f"{address}/printer?id=fir")
    touch(window, "a[href='/run?id=R1']")
    touch(window, "#part-2")
    touch(window, "#part-3")
    touch(window, "input[name=sign][value=off_plate]")
    if not script:  # the script has seen to it that some parts failed
        touch(window, "input[name=outcome][value=partial]")
    assert "Saved: it is in the records." in press_save(window)
    run = rows("runs", run_id="R1")[0]
    assert (run["outcome"], run["sign"]) == ("partial", "off_plate")
    failed = rows("parts", run_id="R1", outcome="failed")
    assert [(part["part_no"], part["sign"]) for part in failed] == [(2, "off_plate"), (3, "off_plate")]
    assert len(rows("parts", run_id="R1", outcome="good")) == 4
    assert window.get_log("browser") == []


def test_a_drawn_part_lies_where_the_contract_says(window: Chrome, address: str) -> None:
    window.get(f"{address}/run?id=R1")
    places: Any = window.execute_script(
        "const at = (css) => { const r = document.querySelector(css).getBoundingClientRect();"
        " return [r.x + r.width / 2, r.y + r.height / 2, r.width]; };"
        " return [at('rect.sheet'), at('#part-0'), at('#part-5')];"
    )
    plate, first, last = places
    scale = plate[2] / 200.0
    assert abs(first[0] - plate[0] - -40.0 * scale) < 2.0
    assert abs(first[1] - plate[1] - 15.0 * scale) < 2.0, "y -15: towards the front, below the middle"
    assert abs(last[0] - plate[0] - 40.0 * scale) < 2.0
    assert abs(last[1] - plate[1] - -15.0 * scale) < 2.0
    assert first[2] >= 48.0


@pytest.mark.parametrize("width", WIDTHS)
def test_every_page_fits_its_screen_and_its_targets_fit_a_glove(
    window: Chrome, address: str, farm: Farm, width: int
) -> None:
    file_finding(farm)
    for scheme in ("light", "dark"):
        set_width(window, width, scheme)
        for page in PAGES:
            window.get(address + page)
            wide = window.execute_script("return [document.documentElement.scrollWidth, window.innerWidth]")
            assert wide[0] <= wide[1], f"{page} overflows at {width}"
            assert window.execute_script(SMALL) == [], f"{page} at {width}"
    assert window.get_log("browser") == []


def test_a_page_of_a_stranger_cannot_post(window: Chrome, address: str, rows: Rows) -> None:
    from selenium.webdriver.support.ui import WebDriverWait

    window.get(f"{address}/service")
    window.get(
        "data:text/html,<form method=post action="
        + address
        + "/service><input name=subject_id value=fir><button>x</button></form>"
    )
    touch(window, "button")
    WebDriverWait(window, 20).until(lambda w: w.current_url.startswith(address))
    assert "not sent from a page of the desk" in window.page_source
    assert rows("service") == []
