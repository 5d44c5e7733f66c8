"""Counters since service, and wear filed from plates: on whom, from which count, and never for a step."""

import datetime as dt
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from benchmarked import benchmark

from farmwatch.detectors.counters import service_counters
from farmwatch.detectors.night import join_history
from farmwatch.detectors.wear import detect
from farmwatch.evidence import Evidence, Subject
from farmwatch.findings.life import update
from farmwatch.nightly import look
from farmwatch.records import Records, conform, empty
from farmwatch.settings import load_settings

SETTINGS = load_settings()
START = dt.date(2031, 1, 6)
bench = benchmark("wear")


def filed(records: Records, day: int = 179) -> list[Evidence]:
    verdicts = detect(join_history(records).night(START + dt.timedelta(days=day), SETTINGS))
    return [one for one in verdicts.evidence if one.score >= 0.0]


def _small(service: list[tuple[str, str, str, str]]) -> Records:
    """Five plates of two printers and one bath, an hour each, 100, 200, ... layers."""
    at = pd.to_datetime(
        ["2031-01-06T08:00Z", "2031-01-06T10:00Z", "2031-01-06T12:00Z", "2031-01-07T08:00Z", "2031-01-07T09:00Z"]
    )
    runs = pd.DataFrame({"run_id": list("abcde"), "printer_id": ["P1", "P2", "P1", "P1", "P2"], "started_at": at})
    runs["ended_at"], runs["layer_height_mm"], runs["outcome"], runs["wash_id"] = (
        at + pd.Timedelta(hours=1),
        0.05,
        "good",
        "W",
    )
    parts = pd.DataFrame({"run_id": list("abcde"), "part_no": 1, "height_mm": [5.0, 10.0, 15.0, 20.0, 25.0]})
    events = pd.DataFrame(service, columns=["at", "subject_type", "subject_id", "action"])
    events["event_id"] = [f"E{k}" for k in range(len(events))]
    return Records(
        runs=conform(runs, "runs"),
        parts=conform(parts.assign(outcome="good"), "parts"),
        service=conform(events, "service") if service else empty("service"),
    )


def test_counters_by_hand() -> None:
    records = _small(
        [
            ("2031-01-06T11:00Z", "printer", "P1", "film_changed"),
            ("2031-01-06T07:00Z", "printer", "P2", "lamp_changed"),
            ("2031-01-06T11:30Z", "wash", "W", "wash_changed"),
            ("2031-01-06T11:40Z", "printer", "W", "film_changed"),
        ]
    )
    found = service_counters(join_history(records))
    assert found["film_layers"].tolist() == pytest.approx([np.nan, np.nan, 0.0, 300.0, np.nan], nan_ok=True)
    assert found["film_layers_at_least"].tolist() == pytest.approx([0.0, 0.0, 0.0, 300.0, 200.0])
    assert found["lamp_hours"].tolist() == pytest.approx([np.nan, 0.0, np.nan, np.nan, 1.0], nan_ok=True)
    assert found["bath_runs"].tolist() == pytest.approx([np.nan, np.nan, 0.0, 1.0, 2.0], nan_ok=True)
    assert found["film_layers_spell"].tolist() == [0, 0, 1, 1, 0]
    assert found["film_layers_since"].iloc[3] == pd.Timestamp("2031-01-06T11:00")


def test_a_service_of_tomorrow_is_not_known_tonight() -> None:
    records = _small([("2031-01-07T08:30Z", "printer", "P2", "film_changed")])
    history = join_history(records)
    tonight = service_counters(history.night(dt.date(2031, 1, 6), SETTINGS))
    assert tonight["film_layers"].isna().all()
    assert service_counters(history)["film_layers"].notna().sum() == 1


def test_a_worn_film_is_filed_on_its_printer_with_its_counts() -> None:
    found = filed(bench.plate_farm(np.random.default_rng(1), worn=3))
    assert [one.subject for one in found] == [Subject("printer", "P3")]
    one = found[0]
    assert one.effect_unit == "layers"
    assert one.detail["counter"] == "film_layers"
    assert one.effect_low <= bench.true_doubling(12_000.0) <= one.effect_high
    assert one.effect_low <= one.effect <= one.effect_high
    assert one.detail["service_interval"] == one.effect  # the shipped limit is twice the risk when fresh
    assert one.detail["start_known"]
    assert one.separable
    # the curve is of every count, what is told of the days since
    assert 0.9 * sum(group["failures"] for group in one.detail["curve"]) < one.observed
    assert one.observed <= sum(group["failures"] for group in one.detail["curve"])
    assert one.error_rate < 0.05
    assert one.since_low <= one.since <= one.since_high


def test_wear_of_every_film_is_the_farms() -> None:
    found = filed(bench.plate_farm(np.random.default_rng(2), all_wear=15_000.0))
    assert [one.subject for one in found] == [Subject("farm", "farm")]
    assert found[0].effect_low <= bench.true_doubling(15_000.0) <= found[0].effect_high


def test_wear_of_every_film_sets_no_plate_apart_from_the_nights_after() -> None:
    history = join_history(bench.plate_farm(np.random.default_rng(2), all_wear=15_000.0))
    day = START + dt.timedelta(days=179)
    before = look(history, day, SETTINGS, ())
    (found,) = update((), [one for one in detect(before).evidence if one.score >= 0.0], day)
    assert (found.evidence.subject, found.status) == (Subject("farm", "farm"), "open")
    after = look(history, day, SETTINGS, (found,))
    np.testing.assert_array_equal(after.part_risk[:], before.part_risk[:])
    assert [one.subject for one in detect(after).evidence] == [Subject("farm", "farm")]


def test_a_step_at_a_date_is_not_wear() -> None:
    for seed in range(2):
        farm = bench.plate_farm(np.random.default_rng([3, seed]), step=(3, 70, np.log(5.0)))
        assert not any(one.subject == Subject("printer", "P3") for one in filed(farm))


def test_a_counter_that_ran_with_the_calendar_is_said_so() -> None:
    records = bench.plate_farm(np.random.default_rng(4), worn=3, life=1e9, doubling=60_000.0)
    found = filed(replace(records, service=empty("service")))
    mine = [one for one in found if one.subject == Subject("printer", "P3")]
    assert len(mine) == 1  # layers and hours run together: one finding
    assert not mine[0].separable
    assert "calendar" in mine[0].detail["would_separate"]
    assert not mine[0].detail["start_known"]


def _with_lots(records: Records, elsewhere: float) -> Records:
    """A lot a fortnight, but from day 51 on one that P3 ran all the time and the others on a share of their plates."""
    runs = records.runs
    day = (runs["started_at"] - runs["started_at"].min()).dt.days
    drawn = np.random.default_rng(7).random(len(runs)) < elsewhere
    late = (day > 50) & ((runs["printer_id"] == "P3") | drawn)
    lots = pd.array(np.where(late, "late", "L" + (day // 14).astype(str)), dtype=runs["lot_id"].dtype)
    return replace(records, runs=runs.assign(lot_id=lots))


def test_wear_that_came_with_a_lot_names_it_until_the_lot_ran_elsewhere() -> None:
    records = bench.plate_farm(np.random.default_rng(1), worn=3, life=1e9, doubling=60_000.0)
    found = {}
    for elsewhere in (0.0, 0.1):
        night = look(join_history(_with_lots(records, elsewhere)), START + dt.timedelta(days=179), SETTINGS, ())
        (found[elsewhere],) = [one for one in detect(night).evidence if one.subject == Subject("printer", "P3")]
    assert found[0.0].rivals == (Subject("lot", "late"),)
    assert "calendar" in found[0.0].detail["would_separate"]
    assert "plates of lot late on printer" in found[0.0].detail["would_separate"]
    plan = found[0.0].detail["separating_plates"][0]
    assert plan["lot"] == "late"
    assert 2 <= plan["plates"] <= 40
    assert found[0.1].rivals == ()
    assert "plates of lot" not in found[0.1].detail["would_separate"]


def test_wear_that_shows_in_its_own_signs_is_weighed_by_these() -> None:
    """Only P3's parts split: the rivals are weighed by splits, and the lot that came with them is named."""
    records = _with_lots(bench.plate_farm(np.random.default_rng(1), worn=3, life=1e9, doubling=60_000.0), 0.0)
    parts = records.parts
    splits = np.where(parts["run_id"].str.startswith("P3-").to_numpy(), "split", "fused")
    parts = parts.assign(sign=parts["sign"].mask(parts["sign"].notna(), pd.Series(splits, parts.index)))
    night = look(join_history(replace(records, parts=parts)), START + dt.timedelta(days=179), SETTINGS, ())
    (one,) = [each for each in detect(night).evidence if each.subject == Subject("printer", "P3")]
    assert one.sign == "split"
    assert one.rivals == (Subject("lot", "late"),)
    assert "late" in one.detail["would_separate"]


def test_fresh_films_of_the_same_lot_clear_it() -> None:
    """The one lot of P3 ran through several films: it was no worse on a fresh one, so that it is no rival of the film."""
    records = bench.plate_farm(np.random.default_rng(1), worn=3)
    lots = records.runs["lot_id"].where(records.runs["printer_id"] != "P3", "own")
    night = look(
        join_history(replace(records, runs=records.runs.assign(lot_id=lots))), START + dt.timedelta(179), SETTINGS, ()
    )
    (one,) = [each for each in detect(night).evidence if each.score >= 0.0]
    assert (one.subject, one.rivals, one.separable) == (Subject("printer", "P3"), (), True)


def test_empty_and_faultless_farms() -> None:
    nothing = detect(join_history(Records()).night(START, SETTINGS))
    assert nothing.evidence == ()
    assert {check.state for check in nothing.checks} == {"too_few"}
    good = detect(join_history(_small([])).night(dt.date(2031, 1, 8), SETTINGS))
    assert good.evidence == ()


def test_quiet_farms_stay_quiet() -> None:
    """A small version of benchmarks/wear.py: 12 farm-months allow 1 finding at a budget of 0.05 a month."""
    count = sum(len(bench.flagged(bench.plate_farm(np.random.default_rng([5, s])), step=40)) for s in range(2))
    assert count <= 1


def test_wear_never_began_on_the_night_that_tells_it() -> None:
    records = bench.plate_farm(np.random.default_rng(1), worn=3)
    service = records.service
    changed = records.local_dates(service.loc[service["subject_id"] == "P3", "at"])
    # the nights about each change of film: a film as good as new has not come as far as the worn ones before it
    nights = sorted(
        {(day - START).days + after for day in changed.dt.date for after in (-1, 0, 1, 2) if (day - START).days > 90}
    )
    told = 0
    for night in nights:
        for one in filed(records, night):
            if one.subject == Subject("printer", "P3"):
                told += 1
                assert one.since_low <= one.since < START + dt.timedelta(days=night)
                assert one.since <= one.since_high
    assert told >= 3
