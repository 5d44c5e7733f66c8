"""The faces of the weekly report: nothing from outside, nothing that runs, nothing from the records that is not text."""

from __future__ import annotations

import base64
import itertools
import json
import re
import xml.etree.ElementTree as ET
from html.parser import HTMLParser

import pytest

from farmwatch.causes.questions import percent
from farmwatch.detectors.night import join_history
from farmwatch.records import Records
from farmwatch.report.charts import DRAWERS, draw
from farmwatch.report.markdown import json_page, markdown_page
from farmwatch.report.page import anchor, html_page, shown
from farmwatch.report.room import Daily
from farmwatch.settings import load_settings

from .conftest import AS_OF, HOSTILE, Case, contents_for, make_records

VOID = {"meta", "img", "br", "link", "input", "hr", "rect", "path"}


class Reader(HTMLParser):
    """Tags in order, attributes, visible text; complains where tags do not close."""

    def __init__(self, page: str) -> None:
        super().__init__()
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.text: list[str] = []
        self.open: list[str] = []
        self.feed(page)
        self.close()
        assert self.open == []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))
        if tag not in VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))

    def handle_endtag(self, tag: str) -> None:
        if tag not in VOID:
            assert self.open.pop() == tag

    def handle_data(self, data: str) -> None:
        if "style" not in self.open:
            self.text.append(data)


@pytest.fixture(scope="module")
def page(case: Case) -> str:
    return html_page(case.contents)


@pytest.fixture(scope="module")
def hostile_page(hostile: Case) -> str:
    return html_page(hostile.contents)


def test_the_page_needs_nothing_from_outside_and_runs_nothing(page: str, hostile_page: str) -> None:
    for text in (page, hostile_page):
        read = Reader(text)
        assert {tag for tag, _ in read.tags}.isdisjoint({"script", "iframe", "object", "embed", "link", "form", "base"})
        for tag, attributes in read.tags:
            assert not any(name.startswith("on") for name in attributes), tag
            assert (attributes.get("src") or "data:image/svg+xml;base64,").startswith("data:image/svg+xml;base64,")
            assert (attributes.get("href") or "#").startswith("#")
        css = re.search("<style>(.*?)</style>", text, re.S)
        assert css is not None
        assert "url(" not in css[1]
        assert "@import" not in css[1]


def test_hostile_records_stay_text(hostile_page: str) -> None:
    read = Reader(hostile_page)
    assert HOSTILE in "".join(read.text)
    assert "<script>alert" not in hostile_page
    assert "\x1b" not in hostile_page
    assert "\x00" not in hostile_page
    assert not any(attributes.get("src") == "x" for _, attributes in read.tags)


def test_fragments_meet_their_targets(page: str, hostile_page: str) -> None:
    for text in (page, hostile_page):
        read = Reader(text)
        targets = [attributes["id"] for _, attributes in read.tags if attributes.get("id")]
        assert len(targets) == len(set(targets))
        links = {attributes["href"] for tag, attributes in read.tags if tag == "a"}
        assert links <= {f"#{target}" for target in targets}


def test_pictures_have_alternative_texts_and_tables_have_captions(page: str) -> None:
    read = Reader(page)
    pictures = [attributes for tag, attributes in read.tags if tag == "img"]
    assert len(pictures) >= 12
    assert all(len(attributes.get("alt") or "") > 40 for attributes in pictures)
    tags = [tag for tag, _ in read.tags]
    assert tags.count("table") == tags.count("caption") >= 3
    heads = [attributes.get("scope") for tag, attributes in read.tags if tag == "th"]
    assert set(heads) == {"col", "row"}


def test_the_week_in_a_sentence_then_what_was_not_checked_then_what_needs_a_hand(page: str) -> None:
    words = " ".join("".join(Reader(page).text).split())
    opening = [
        "21 plates on 3 printers",
        "Not checked: ",
        "Needs a hand",
        "Gloves, eye protection",
        "could not be checked",
    ]
    opening.append("New this week")
    # the link that jumps over the head of the page names the list too
    places = [words.index(text, words.index("as known at the end")) for text in opening]
    assert places == sorted(places)


def test_headings_go_down_one_step_at_a_time(page: str) -> None:
    levels = [int(tag[1]) for tag, _ in Reader(page).tags if re.fullmatch("h[1-6]", tag)]
    assert levels[0] == 1
    assert levels.count(1) == 1
    assert all(later - earlier <= 1 for earlier, later in itertools.pairwise(levels))


def test_the_same_contents_give_the_same_page(case: Case) -> None:
    told = [contents_for(case.night, case.findings[2:3], case.checks) for _ in range(2)]
    first = html_page(told[0])
    shown.cache_clear()
    assert html_page(told[1]) == first


def test_pictures_are_whole_svg_without_date_or_outside(case: Case, hostile: Case) -> None:
    kinds = {}
    for told in (case.contents, hostile.contents):
        kinds |= {type(p): p for part in told.findings for p in part.pictures} | {Daily: told.room.daily[0]}
        for picture in kinds.values():
            svg = draw(picture)
            tree = ET.fromstring(svg)
            assert tree.tag.endswith("svg")
            assert "<dc:date" not in svg
            assert not re.search(r'(href|src)="(?!#)', svg)
            names = {element.tag.rpartition("}")[2] for element in tree.iter()}
            assert names.isdisjoint({"script", "foreignObject", "image", "text"})
    assert set(kinds) == set(DRAWERS)


def test_pictures_stand_in_the_page_as_they_are_drawn(case: Case, page: str) -> None:
    picture = case.contents.new[0].pictures[0]
    assert base64.b64encode(draw(picture).encode()).decode() in page


def contrast(one: str, other: str) -> float:
    """Contrast of two colours as in the Web Content Accessibility Guidelines 2.1, relative luminance of sRGB."""

    def luminance(colour: str) -> float:
        parts = [int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)]
        linear = [part / 12.92 if part <= 0.04045 else ((part + 0.055) / 1.055) ** 2.4 for part in parts]
        return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]

    high, low = sorted((luminance(one), luminance(other)), reverse=True)
    return (high + 0.05) / (low + 0.05)


def test_text_contrast_meets_level_aa_in_light_and_dark(page: str) -> None:
    assert contrast("#000000", "#ffffff") == pytest.approx(21.0)
    css = re.search("<style>(.*?)</style>", page, re.S)
    assert css is not None
    schemes = re.findall(r":root \{(.*?)\}", css[1], re.S)
    assert len(schemes) == 3
    for scheme in schemes:
        colours = {
            name: value if len(value) == 7 else f"#{value[1] * 2}{value[2] * 2}{value[3] * 2}"
            for name, value in re.findall(r"--([a-z-]+): (#[0-9a-f]{3,6})", scheme)
        }
        for text in ("ink", "soft", "blue", "rust"):
            for ground in ("paper", "sheet", "rust-wash", "blue-wash"):
                assert contrast(colours[text], colours[ground]) >= 4.5, (text, ground)


def test_an_empty_farm_has_a_sensible_page() -> None:
    told = contents_for(join_history(Records()).night(AS_OF, load_settings()), (), ())
    words = " ".join("".join(Reader(html_page(told)).text).split())
    assert words.count("No night was analysed in this week.") == 1
    assert markdown_page(told).count("No night was analysed in this week.") == 1
    assert "Nothing. No finding waits for somebody." in words
    assert "Nothing was printed in the last four weeks." in words
    assert "hazardous waste" in words


def test_markdown_says_the_same_and_keeps_records_as_text(case: Case, hostile: Case) -> None:
    text = markdown_page(case.contents)
    for part in case.contents.findings:
        assert text.count(f"### {part.headline}") == 1
    assert text.index("Not checked: ") < text.index("## Needs a hand") < text.index("## Not checked")
    told = markdown_page(hostile.contents)
    assert "<script" not in told
    assert re.search(r"(?<!\\)\]\(javascript", told) is None
    table = [line for line in told.splitlines() if line.startswith("| ")]
    widths = {len(re.findall(r"(?<!\\)\|", line)) for line in table}
    assert len(widths) <= 2


def test_json_holds_the_contents_without_what_json_lacks(case: Case, hostile: Case) -> None:
    document = json.loads(json_page(case.contents), parse_constant=lambda name: pytest.fail(name))
    assert document["week"] == "2031-W14"
    assert [part["finding_id"] for part in document["new"]] == [part.finding_id for part in case.contents.new]
    assert document["new"][0]["pictures"][0]["picture"] in ("OverTime", "PlateMap", "WearCurve", "SignalOverTime")
    assert json.loads(json_page(hostile.contents))["needs_hand"]


def test_ids_that_look_alike_have_anchors_of_their_own() -> None:
    names = ["F 1", "F-1", "F_1", "é", "è", ""]
    assert len({anchor(name) for name in names}) == len(names)
    assert all(re.fullmatch(r"[A-Za-z0-9-]+", anchor(name)) for name in names)


def test_no_line_breaks_between_a_number_and_its_per_cent(page: str) -> None:
    assert "95\u00a0% interval" in page
    assert not re.search(r"\d %", page)


def test_percentages_never_claim_certainty() -> None:
    assert [percent(p) for p in (0.0, 0.001, 0.126, 0.999, 1.0)] == ["0 %", "under 1 %", "13 %", "over 99 %", "100 %"]


def test_colliding_weeks_do_not_share_numbers(case: Case) -> None:
    """A correction of one outcome moves the report: nothing in it is kept from an earlier one."""
    records = make_records()
    outcome = records.parts["outcome"].where(records.parts["run_id"] != "R034-1", "good")
    told = contents_for(
        join_history(Records(**{**vars(records), "parts": records.parts.assign(outcome=outcome)})).night(
            AS_OF, load_settings()
        ),
        case.findings,
        case.checks,
    )
    before, after = (next(row for row in c.printers if row.subject_id == "P2").failed for c in (case.contents, told))
    assert (before, after) == (21, 18)
