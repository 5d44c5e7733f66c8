"""The story: what it must say, the plates behind it, and cautions wherever hands are advised."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest

from farmwatch.causes.checks import next_checks
from farmwatch.causes.context import Context
from farmwatch.causes.diagnose import diagnose
from farmwatch.causes.explain import as_text, tell
from farmwatch.causes.questions import CAUSES, CODES
from farmwatch.causes.repairs import repair_verdict
from farmwatch.causes.table import CauseTable
from farmwatch.detectors.night import join_history
from farmwatch.evidence import Cause, Finding, Subject
from farmwatch.settings import Settings
from tests.causes.test_answers import START, farm, left_side


def test_the_story_has_its_parts_in_order(
    finding: Callable[..., Finding], table: CauseTable, settings: Settings
) -> None:
    story = tell(finding(kind="plate_pattern", zone="left", run_ids=("R1", "R2")), table, settings)
    assert [paragraph.heading for paragraph in story.paragraphs] == [
        "What was seen against what was expected",
        "The five questions",
        "Likely causes",
        "Checks worth doing, best first",
        "What the records cannot tell",
    ]
    text = " ".join(as_text(story).split())
    assert "Of 60 parts on one side on plates of printer P-01, 24 failed since 10 Mar 2031; were the failures" in text
    assert "The odds of failing there are 6 times what they should be (95 % interval 3 to 11)." in text
    assert "Where: it fails on one side." in text
    assert "the plate is out of level [plate_tilt]" in text
    assert "How it looks: the records cannot say." in text


def test_failures_are_told_whole(finding: Callable[..., Finding], table: CauseTable, settings: Settings) -> None:
    rate = as_text(tell(finding(observed=24.0, expected=4.4), table, settings), width=400)
    assert "Of 60 parts of printer P-01, 24 failed since 10 Mar 2031; 4.4 were expected of the work that" in rate
    height = finding(kind="height_pattern", band="base", unit="plates", observed=25.7, expected=4.4)
    told = as_text(tell(height, table, settings), width=400)
    assert "Of 60 plates of printer P-01 with failures of known height, 26 failed in the base layers since" in told
    assert "25.7" not in told
    led = as_text(
        tell(finding(kind="height_pattern", band="base", unit="plates", sign="off_plate"), table, settings), width=400
    )
    assert '24 failed in the base layers, most with the sign "off plate", since' in led


def test_a_measure_is_called_by_its_name(
    finding: Callable[..., Finding], table: CauseTable, settings: Settings
) -> None:
    colder = finding(
        kind="signal_shift", subject=Subject("room", "R-1"), direction="down", detail={"measure": "ambient_c"},
        observed=19.0, expected=20.2, unit="plates", effect=-1.2, effect_low=-1.5, effect_high=-0.9, effect_unit="°C",
    )  # fmt: skip
    text = as_text(tell(colder, table, settings), width=400)
    assert "the room temperature of room R-1 stands at 19 °C where 20.2 °C was expected, over 60 plates." in text
    assert "That is 1.2 °C less (95 % interval 0.9 to 1.5)." in text


def test_an_odd_run_is_told_with_its_reason(
    finding: Callable[..., Finding], table: CauseTable, settings: Settings
) -> None:
    odd = finding(kind="odd_run", subject=Subject("run", "R-9"), unit="plates",
                  detail={"words": "exposure 2.9 s where 2.5 s is the habit", "printer_id": "P-01"})  # fmt: skip
    text = as_text(tell(odd, table, settings), width=400)
    said = "run R-9 on printer P-01 was unlike runs of its kind: exposure 2.9 s where 2.5 s is the habit."
    assert f"On 10 Mar 2031 {said}" in text
    assert "were expected" not in text
    assert "no cause is looked for" in text
    fell = as_text(tell(replace(odd, evidence=replace(odd.evidence, direction="down")), table, settings))
    assert "got better" not in fell
    assert diagnose(odd, table, settings) == ((Cause("unknown", 1.0),), ())


def test_a_proof_says_what_each_result_means_for_the_cause(table: CauseTable, settings: Settings) -> None:
    sure = np.zeros(len(CODES))
    sure[CODES.index("trapped_suction")] = 1.0
    (proof,) = next_checks(sure, table, settings.causes)
    assert any(meaning.endswith("bears it out") for meaning in proof.means.values())
    assert any("speaks against it" in meaning for meaning in proof.means.values())
    assert not any("%" in meaning for meaning in proof.means.values())


def test_a_mend_of_a_measure_says_that_no_plates_are_counted(
    finding: Callable[..., Finding], table: CauseTable, settings: Settings
) -> None:
    repair = {"action": "plate_levelled", "on": dt.date(2031, 3, 18), "status": "watching"}
    text = as_text(tell(replace(finding(), status="watching", repair=repair), table, settings), width=400)
    assert "Checks worth doing if it comes back, best first" in text
    assert "something was done since, and whether that held is being watched." in text
    assert "What was done: plate levelled on 18 Mar 2031." in text
    assert "not a count of plates" in text


def test_wear_grows_whatever_the_weeks_say(
    finding: Callable[..., Finding], table: CauseTable, settings: Settings
) -> None:
    records = farm(left_side)
    night = join_history(records).night(START + dt.timedelta(days=39), settings)
    context = Context(records, settings, night.as_of, night.plates, night.parts, np.full(len(night.parts), 0.03))
    worn = finding(kind="wear", subject=Subject("printer", "P-00"), since=START, detail={"counter": "film_layers"})
    text = as_text(tell(worn, table, settings, context), width=400)
    assert "It grows from one service to the next." in text
    assert "all along since it began" not in text


def test_sentences_list_their_plates_on_demand(
    finding: Callable[..., Finding], table: CauseTable, settings: Settings
) -> None:
    story = tell(finding(run_ids=("R-17", "R-18")), table, settings)
    assert "R-17" not in as_text(story)
    assert "plates, list 1 (2): R-17, R-18" in as_text(story, plates=True)
    assert "plates, list 1 (2): as above" in as_text(story, plates=True)
    assert story.paragraphs[0].sentences[0].run_ids == ("R-17", "R-18")


def test_measures_and_two_names(finding: Callable[..., Finding], table: CauseTable, settings: Settings) -> None:
    over = finding(
        kind="cure_offset",
        subject=Subject("lot", "L-3"),
        direction="over",
        observed=0.06,
        expected=0.01,
        unit="coupons",
        effect=0.05,
        effect_low=0.03,
        effect_high=0.07,
        effect_unit="mm",
        separable=False,
        rivals=(Subject("printer", "P-01"),),
    )
    text = " ".join(as_text(tell(over, table, settings)).split())
    assert (
        "the growth of the measured edges of lot L-3 stands at 0.06 mm where 0.01 mm was expected, over 60 measured"
        in text
    )
    assert "That is 0.05 mm more (95 % interval 0.03 to 0.07)." in text
    assert "one lot of resin or one printer shares it (the records cannot tell which)" in text
    assert "this bottle cures deeper than others [lot_fast]" in text
    assert "the light source gives too much light [lamp_hot]" in text


def test_better_than_expected_looks_for_no_cause(
    finding: Callable[..., Finding], table: CauseTable, settings: Settings
) -> None:
    text = as_text(tell(finding(direction="down"), table, settings))
    assert "better than expected" in text
    assert "Checks worth doing" not in text


@pytest.mark.parametrize("code", CAUSES)
def test_every_mend_and_check_that_handles_stands_beside_its_caution(
    code: str, finding: Callable[..., Finding], table: CauseTable, settings: Settings
) -> None:
    """A finding that points at each cause in turn; every sentence that advises handling ends in its cautions."""
    place = CODES.index(code)
    who = {"image_row_glitch": "family", "overloaded_plate": "farm"}.get(code)
    subject = who or table.causes[code].sketch.split(",")[0].removeprefix("one ").split(" ")[0]
    kind = subject if subject in ("printer", "lot", "design", "file", "profile", "wash", "operator") else who or "room"
    sign = max(table.causes[code].signs, key=table.causes[code].signs.__getitem__)
    story = tell(finding(subject=Subject(kind, "X"), sign=sign, observed=8.0, expected=0.5), table, settings)
    text = {p.heading: [s.text for s in p.sentences] for p in story.paragraphs}
    assert any(f"[{code}]" in sentence for sentence in text["Likely causes"]), place
    for cause in table.causes.values():
        for sentence in text["Likely causes"]:
            if cause.mend in sentence and cause.cautions:
                assert all(table.cautions[c] in sentence for c in (*cause.cautions, "always"))
    for check in table.checks.values():
        for sentence in text["Checks worth doing, best first"]:
            if check.does in sentence and check.cautions:
                assert all(table.cautions[c] in sentence for c in (*check.cautions, "always"))


def test_every_check_advice_carries_a_caution(table: CauseTable, settings: Settings) -> None:
    many = settings.causes.model_copy(update={"checks_at_most": 99})
    for check in next_checks(table.prior, table, many):
        assert bool(check.caution) != table.checks[check.code].desk


def test_the_mend_is_told(finding: Callable[..., Finding], table: CauseTable, settings: Settings) -> None:
    n, p = np.full(3, 8.0), np.full(3, 0.06)
    early = repair_verdict(n, np.zeros(3), p, 0.1, np.log(3.0), 0.3, settings.repairs)
    mended = Finding("F", finding().evidence, dt.date(2031, 3, 10), dt.date(2031, 3, 20), "watching",
                     repair={"action": "film_changed"})  # fmt: skip
    text = " ".join(as_text(tell(mended, table, settings, verdict=early)).split())
    assert "What was done: film changed." in text
    assert "It is too early to say. About" in text
    held = repair_verdict(np.full(40, 8.0), np.zeros(40), np.full(40, 0.06), 0.1, np.log(3.0), 0.3, settings.repairs)
    assert "The mend held" in as_text(tell(mended, table, settings, verdict=held))


def test_what_the_table_says_of_handling_light_resin_and_waste(table: CauseTable) -> None:
    """The cautions that the trade asks for, in the table's own words."""
    said = " ".join(table.cautions.values())
    for words in (
        "sensitise the skin for life",
        "nitrile gloves",
        "eye protection",
        "ventilate",
        "no flames or sparks",
        "vessels closed",
        "never look into it",
        "Switch the machine off before reaching inside",
        "Take the plate off before the vat",
        "pierce gloves",
        "never down a drain",
        "safety data sheet, local rules and licensed practice come before",
    ):
        assert words in said


def test_wear_and_strong_evidence_are_told_in_plain_numbers(
    finding: Callable[..., Finding], table: CauseTable, settings: Settings
) -> None:
    worn = finding(
        kind="wear",
        subject=Subject("wash", "W-1"),
        effect=130.0,
        effect_low=90.0,
        effect_high=142.0,
        effect_unit="runs",
        error_rate=2.7e-86,
    )
    text = " ".join(as_text(tell(worn, table, settings)).split())
    assert "The risk doubles at about 130 runs (95 % interval 90 to 142)." in text
    assert "something as strong fewer than 0.0001 times a month" in text
