"""A farm of two printers, and a browser without a screen: it fills in the forms of pages as they were drawn."""

from __future__ import annotations

import os
import shutil
from collections.abc import Callable, Iterator
from html.parser import HTMLParser
from pathlib import Path
from urllib.parse import urlencode

import pytest
from starlette.testclient import TestClient

from farmwatch.collect import collect
from farmwatch.desk import Desk, build_app
from farmwatch.desk.security import Rules
from farmwatch.store import Farm

ADDRESS = "http://127.0.0.1:8420"
FILES = {
    "printers.csv": "printer_id,plate_width_mm,plate_depth_mm,room\nfir,200,120,north\nyew,140,80,north\n",
    "lots.csv": "lot_id,resin\nL1,grey\nL2,grey\n",
    "runs.csv": (
        "run_id,printer_id,started_at,ended_at,lot_id,file_id,operator,exposure_s,outcome,sign,own column\n"
        "R1,fir,2031-03-03T08:00:30,2031-03-03T11:00,L1,F1,ann,2.5,good,,kept\n"
        "R2,fir,2031-03-04T08:00,2031-03-04T11:00,L1,F1,ann,2.5,partial,soft,\n"
    ),
    "parts.csv": "run_id,part_no,design_id,x_mm,y_mm,footprint_mm2,height_mm,outcome,sign\n"
    + "".join(
        f"{run},{n},D1,{40 * (n % 3) - 40},{30 * (n // 3) - 15},300,25,{'failed,soft' if (run, n) == ('R2', 1) else 'good,'}\n"
        for run in ("R1", "R2")
        for n in range(6)
    ),
}


class _Controls(HTMLParser):
    """What a browser would send of each form of a page, by its action; and the page's text."""

    def __init__(self) -> None:
        super().__init__()
        self.forms: list[tuple[str, str, list[tuple[str, str]]]] = []
        self.text: list[str] = []
        self._select = self._area = ""
        self._options: list[tuple[str, bool]] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        a = {name: value or "" for name, value in attrs}
        if tag == "form":
            self.forms.append((a.get("method", "get"), a["action"], []))
        elif tag == "input" and a.get("name"):
            if a.get("type") not in ("checkbox", "radio") or "checked" in a:
                self.forms[-1][2].append((a["name"], a.get("value", "")))
        elif tag == "select":
            self._select, self._options = a["name"], []
        elif tag == "option" and self._select:
            self._options.append((a.get("value", ""), "selected" in a))
        elif tag == "textarea":
            self._area = a["name"]
            self.forms[-1][2].append((self._area, ""))

    def handle_endtag(self, tag: str) -> None:
        if tag == "select" and self._options:
            chosen = next((value for value, selected in self._options if selected), self._options[0][0])
            self.forms[-1][2].append((self._select, chosen))
            self._select = ""
        if tag == "textarea":
            self._area = ""

    def handle_data(self, data: str) -> None:
        if self._area:
            name, before = self.forms[-1][2].pop()
            self.forms[-1][2].append((name, before + data))
        else:
            self.text.append(data)


class Answer:
    """A page that came back."""

    def __init__(self, status: int, html: str, headers: dict[str, str]) -> None:
        self.status, self.html, self.headers = status, html, headers
        self._controls = _Controls()
        self._controls.feed(html)

    @property
    def text(self) -> str:
        return " ".join(" ".join(self._controls.text).split())

    def form(self, action: str, number: int = 0) -> list[tuple[str, str]]:
        found = [pairs for method, where, pairs in self._controls.forms if (method, where) == ("post", action)]
        return list(found[number])

    def value(self, action: str, name: str) -> str:
        return dict(self.form(action))[name]


class Browser:
    """A session with the desk. ``send`` posts a form as it was drawn, with ``changes`` (lists: several values)."""

    def __init__(self, desk: Desk, address: str = ADDRESS) -> None:
        self.client = TestClient(build_app(desk), address, follow_redirects=False)
        self.headers = {"origin": address, "sec-fetch-site": "same-origin"}

    def get(self, path: str) -> Answer:
        answer = self.client.get(path)
        return Answer(answer.status_code, answer.text, dict(answer.headers))

    def post(self, path: str, pairs: list[tuple[str, str]], **headers: str) -> Answer:
        all_headers = {"content-type": "application/x-www-form-urlencoded", **self.headers, **headers}
        answer = self.client.post(path, content=urlencode(pairs), headers=all_headers)
        return Answer(answer.status_code, answer.text, dict(answer.headers))

    def send(self, page: Answer, path: str, changes: dict[str, str | list[str]], number: int = 0) -> Answer:
        return self.post(path, filled(page.form(path, number), changes))

    def follow(self, answer: Answer) -> Answer:
        assert answer.status == 303, answer.text
        return self.get(answer.headers["location"])


def filled(pairs: list[tuple[str, str]], changes: dict[str, str | list[str]]) -> list[tuple[str, str]]:
    kept = [(name, value) for name, value in pairs if name not in changes]
    new = [(name, v) for name, value in changes.items() for v in (value if isinstance(value, list) else [value])]
    return kept + new


@pytest.fixture(autouse=True, scope="module")
def no_waiting_for_the_disk() -> Iterator[None]:
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(os, "fsync", lambda handle: None)
        yield


@pytest.fixture(scope="session")
def model(tmp_path_factory: pytest.TempPathFactory) -> Path:
    farm = Farm.create(tmp_path_factory.mktemp("model") / "farm", "Europe/Paris")
    for name, text in FILES.items():
        (farm.inbox / name).write_text(text)
    assert not collect(farm).trouble
    return farm.path


@pytest.fixture
def farm(tmp_path: Path, model: Path) -> Farm:
    return Farm.open(shutil.copytree(model, tmp_path / "farm"))


@pytest.fixture
def desk(farm: Farm) -> Desk:
    return Desk(farm, Rules(None, frozenset({"127.0.0.1", "localhost"})))


@pytest.fixture
def browser(desk: Desk) -> Browser:
    return Browser(desk)


@pytest.fixture
def rows(farm: Farm) -> Callable[..., list[dict[str, object]]]:
    """``rows("runs", run_id="R1")``: the rows that stand, without empty values."""

    def rows(table: str, **where: object) -> list[dict[str, object]]:
        found = farm.read_arrow(table).to_pylist()
        return [
            {name: value for name, value in row.items() if value is not None}
            for row in found
            if all(row[name] == value for name, value in where.items())
        ]

    return rows
