"""Every cause leaves the marks that it is said to leave: who, where, how high, which sign; beside the twin without it."""

from __future__ import annotations

from functools import cache

import numpy as np
import pandas as pd
import pytest

from farmwatch.simulate import FarmSpec, Fault, SimulatedFarm, one_cause_farm, simulate
from farmwatch.simulate.causes import CAUSES
from farmwatch.simulate.scenarios import USUAL

SEED = 11
TRADE = [
    "trapped_suction",
    "unsupported_island",
    "bad_file",
    "frozen_panel",
    "panel_end_of_life",
    "image_row_glitch",
    "lamp_hot",
    "lamp_dim",
    "lot_fast",
    "lot_slow",
    "profile_hot",
    "profile_cold",
    "plate_tilt",
    "plate_bow",
    "short_rest",
    "weak_base",
    "film_worn",
    "film_spot",
    "resin_unmixed",
    "resin_old",
    "cold_resin",
    "z_wear",
    "wash_spent",
    "supports_after_cure",
    "overloaded_plate",
]


@cache
def quiet_twin() -> SimulatedFarm:
    return simulate(FarmSpec(printers=12, days=90), SEED)


@cache
def faulty(cause: str) -> SimulatedFarm:
    return one_cause_farm(cause, SEED)


def affected(farm: SimulatedFarm) -> np.ndarray:
    """Rows of parts under the farm's one fault, shape (parts,)."""
    fault = farm.truth[0]
    runs, parts = farm.records.runs, farm.records.parts
    day = farm.records.local_dates(runs["started_at"])
    printers = farm.records.printers.set_index("printer_id")
    column = {
        "printer": runs["printer_id"],
        "lot": runs["lot_id"],
        "file": runs["file_id"],
        "profile": runs["profile"],
        "wash": runs["wash_id"],
        "operator": runs["operator"],
        "room": runs["printer_id"].map(printers["room"]),
        "family": runs["printer_id"].map(printers["family"]),
    }
    late = pd.Series((day >= pd.Timestamp(fault.since)).to_numpy(), index=runs["run_id"])
    if fault.subject.type == "design":
        return ((parts["design_id"] == fault.subject.id) & parts["run_id"].map(late)).to_numpy()
    own = pd.Series((column[fault.subject.type] == fault.subject.id).to_numpy(), index=runs["run_id"])
    return (parts["run_id"].map(own) & parts["run_id"].map(late)).to_numpy()


def new_failures(farm: SimulatedFarm) -> pd.DataFrame:
    """Parts that fail with the fault and would not have failed without it."""
    with_fault, without = farm.records.parts, quiet_twin().records.parts
    return with_fault[(with_fault["outcome"] == "failed") & (without["outcome"] == "good")]


def test_all_causes_of_the_trade_can_be_planted() -> None:
    assert set(CAUSES) == {*TRADE, "plain_rate"}
    assert set(USUAL) == set(TRADE)


@pytest.mark.parametrize("cause", TRADE)
def test_failures_rise_on_the_subject_and_only_there(cause: str) -> None:
    farm = faulty(cause)
    under = affected(farm)
    failed = (farm.records.parts["outcome"] == "failed").to_numpy()
    before = (quiet_twin().records.parts["outcome"] == "failed").to_numpy()
    gained, expected = (
        failed[under].sum() - before[under].sum(),
        farm.true_risk[under].sum() - farm.quiet_risk[under].sum(),
    )
    assert gained > 0.5 * expected > 5
    outside = failed[~under] != before[~under]
    # a torn cavity takes neighbours of other designs with it
    assert outside.mean() < (0.01 if cause == "trapped_suction" else 1e-9)


@pytest.mark.parametrize("cause", TRADE)
def test_default_strength_is_visible_and_not_silly(cause: str) -> None:
    # a damaged file spoils a third of its plates whole
    assert 1.4 < faulty(cause).truth[0].odds_ratio < (60.0 if cause == "bad_file" else 15.0)


@pytest.mark.parametrize("cause", TRADE)
def test_new_failures_show_the_signs_of_the_cause(cause: str) -> None:
    signs = new_failures(faulty(cause))["sign"].dropna()
    share = signs.isin(CAUSES[cause].signs).mean()
    chance = quiet_twin().records.parts["sign"].dropna().isin(CAUSES[cause].signs).mean()
    # a change of state also brings a little of everything, so not every new failure has the cause's own sign
    assert share > 0.5
    assert share / (1.001 - share) > 1.5 * chance / (1.0 - chance)


def share_of(farm: SimulatedFarm, inside: np.ndarray) -> tuple[float, float]:
    """Share of the new failures and of the affected parts for which ``inside`` holds."""
    new = np.zeros(len(farm.records.parts), dtype=bool)
    new[new_failures(farm).index] = True
    return float(inside[new].mean()), float(inside[affected(farm)].mean())


def places(farm: SimulatedFarm) -> tuple[np.ndarray, np.ndarray]:
    records = farm.records
    parts = records.parts.merge(records.runs[["run_id", "printer_id"]], on="run_id").merge(
        records.printers, on="printer_id"
    )
    return (
        (2 * parts["x_mm"] / parts["plate_width_mm"]).to_numpy(),
        (2 * parts["y_mm"] / parts["plate_depth_mm"]).to_numpy(),
    )


@pytest.mark.parametrize("zone", ["left", "right", "front", "back", "front_left", "back_right"])
def test_a_tilted_plate_lets_go_on_its_low_side(zone: str) -> None:
    fault = Fault("plate_tilt", since_day=50, detail={"zone": zone})
    farm = simulate(FarmSpec(printers=12, days=90, faults=(fault,)), SEED)
    assert farm.truth[0].zones == (zone,)
    x, y = places(farm)
    side = {"left": -x, "right": x, "front": -y, "back": y, "front_left": -x - y, "back_right": x + y}[zone]
    among_new, among_all = share_of(farm, side > 0.2)
    assert among_new > 0.9
    assert among_new > 1.5 * among_all


def test_a_spot_is_one_place() -> None:
    farm = faulty("film_spot")
    at, parts = farm.truth[0].detail, farm.records.parts
    near = np.hypot(parts["x_mm"] - at["x_mm"], parts["y_mm"] - at["y_mm"]).to_numpy() < at["radius_mm"]
    among_new, among_all = share_of(farm, near)
    assert among_new == 1.0
    assert among_all < 0.3


def mean_distance(farm: SimulatedFarm) -> tuple[float, float]:
    """Mean distance from the centre (edge is 1) of the new failures and of the affected parts."""
    x, y = places(farm)
    new = np.zeros(x.size, dtype=bool)
    new[new_failures(farm).index] = True
    distance = np.hypot(x, y)
    return float(distance[new].mean()), float(distance[affected(farm)].mean())


@pytest.mark.parametrize("cause", ["plate_bow", "short_rest", "cold_resin", "overloaded_plate"])
def test_the_middle_suffers_most(cause: str) -> None:
    of_new, of_all = mean_distance(faulty(cause))
    assert of_new < of_all


def test_a_dim_lamp_fails_first_at_the_rim() -> None:
    of_new, of_all = mean_distance(faulty("lamp_dim"))
    assert of_new > of_all + 0.03


def test_a_glitch_takes_parts_in_line() -> None:
    new = new_failures(faulty("image_row_glitch"))
    spread = new.groupby("run_id")["y_mm"].agg(["nunique", "size"])
    many = spread[spread["size"] >= 2]
    assert len(many) > 20
    assert (many["nunique"] == 1).mean() > 0.9


@pytest.mark.parametrize("cause", ["plate_tilt", "weak_base", "frozen_panel"])
def test_base_faults_fail_in_the_base(cause: str) -> None:
    heights = new_failures(faulty(cause))["failure_height_mm"].dropna()
    assert (heights <= 0.301).mean() > 0.8


@pytest.mark.parametrize("cause", ["plate_bow", "short_rest", "overloaded_plate"])
def test_low_faults_fail_low(cause: str) -> None:
    heights = new_failures(faulty(cause))["failure_height_mm"].dropna()
    assert (heights < 5.0).mean() > 0.8
    assert (heights > 0.301).mean() > 0.5


@pytest.mark.parametrize("cause", ["trapped_suction", "unsupported_island", "z_wear"])
def test_some_faults_keep_to_one_height(cause: str) -> None:
    farm = faulty(cause)
    heights = new_failures(farm)["failure_height_mm"].dropna()
    assert ((heights - farm.truth[0].detail["height_mm"]).abs() < 1.5).mean() > 0.8


@pytest.mark.parametrize("cause", ["lamp_hot", "lot_fast", "profile_hot", "supports_after_cure", "wash_spent"])
def test_what_shows_after_printing_has_no_height(cause: str) -> None:
    assert new_failures(faulty(cause))["failure_height_mm"].isna().mean() > 0.85


@pytest.mark.parametrize("cause", ["film_worn", "panel_end_of_life", "z_wear", "resin_old", "wash_spent", "lamp_dim"])
def test_wear_climbs(cause: str) -> None:
    farm = faulty(cause)
    under = affected(farm)
    runs = farm.records.runs
    day = farm.records.parts["run_id"].map(
        pd.Series(farm.records.local_dates(runs["started_at"]).to_numpy(), index=runs["run_id"])
    )
    since = (day - pd.Timestamp(farm.truth[0].since)).dt.days.to_numpy()
    excess = farm.true_risk - farm.quiet_risk
    assert excess[under & (since < 4)].mean() < 0.6 * excess[under & (since >= 15)].mean()


def service_of(farm: SimulatedFarm) -> pd.DataFrame:
    service, fault = farm.records.service, farm.truth[0]
    return service[(service["subject_type"] == fault.subject.type) & (service["subject_id"] == fault.subject.id)]


@pytest.mark.parametrize("cause", ["plate_tilt", "plate_bow", "lamp_hot", "profile_hot", "weak_base", "short_rest"])
def test_steps_begin_with_a_service(cause: str) -> None:
    farm = faulty(cause)
    rows = service_of(farm)
    on_day = farm.records.local_dates(rows["at"]) == pd.Timestamp(farm.truth[0].since)
    assert CAUSES[cause].onset_action in set(rows.loc[on_day, "action"])


@pytest.mark.parametrize("cause", ["film_worn", "plate_tilt", "wash_spent", "cold_resin", "lamp_hot", "z_wear"])
def test_a_mend_is_logged_and_holds(cause: str) -> None:
    fault = Fault(cause, since_day=30, until_day=55)
    farm = simulate(FarmSpec(printers=12, days=70, faults=(fault,)), SEED)
    truth = farm.truth[0]
    rows = service_of(farm)
    on_day = farm.records.local_dates(rows["at"]) == pd.Timestamp(truth.until)
    assert CAUSES[cause].mend_action in set(rows.loc[on_day, "action"])
    day = farm.records.parts["run_id"].map(
        pd.Series(
            farm.records.local_dates(farm.records.runs["started_at"]).to_numpy(), index=farm.records.runs["run_id"]
        )
    )
    excess = farm.true_risk - farm.quiet_risk
    assert (excess[(day >= pd.Timestamp(truth.until)).to_numpy()] < 1e-12).all()


def test_nobody_changes_a_film_or_bath_that_is_overdue() -> None:
    for cause, action in (("film_worn", "film_changed"), ("wash_spent", "wash_changed")):
        farm = faulty(cause)
        rows = service_of(farm)
        late = farm.records.local_dates(rows["at"]) >= pd.Timestamp(farm.truth[0].since)
        assert action not in set(rows.loc[late, "action"])


def test_frozen_panels_are_switched_off_and_on() -> None:
    farm = faulty("frozen_panel")
    assert "power_cycled" in set(service_of(farm)["action"])
    blocked = farm.records.runs["sign"] == "block"
    assert farm.records.runs.loc[blocked, "printer_id"].eq(farm.truth[0].subject.id).all()


def test_profiles_show_their_new_settings() -> None:
    for cause, column, ratio in (
        ("profile_hot", "exposure_s", np.exp(0.36)),
        ("profile_cold", "exposure_s", np.exp(-0.36)),
        ("weak_base", "base_exposure_s", np.exp(-1.1)),
        ("short_rest", "rest_s", np.exp(-1.2)),
    ):
        farm = faulty(cause)
        runs = farm.records.runs[farm.records.runs["profile"] == farm.truth[0].subject.id]
        late = farm.records.local_dates(runs["started_at"]) >= pd.Timestamp(farm.truth[0].since)
        assert runs.loc[late, column].mean() / runs.loc[~late, column].mean() == pytest.approx(ratio, rel=0.02)


def test_a_cold_room_is_cold_on_its_own_thermometer() -> None:
    farm = faulty("cold_resin")
    printers = farm.records.printers
    mine = set(printers.loc[printers["room"] == farm.truth[0].subject.id, "printer_id"])
    runs = farm.records.runs[farm.records.runs["printer_id"].isin(mine)]
    late = farm.records.local_dates(runs["started_at"]) >= pd.Timestamp(farm.truth[0].since)
    assert runs.loc[~late, "ambient_c"].mean() - runs.loc[late, "ambient_c"].mean() > 5


@pytest.mark.parametrize(
    "subject_type", ["printer", "lot", "design", "file", "profile", "wash", "operator", "room", "family"]
)
def test_plain_rates_multiply_the_odds(subject_type: str) -> None:
    fault = Fault("plain_rate", (subject_type, ""), since_day=20, odds_ratio=3.0)
    farm = simulate(FarmSpec(printers=8, days=50, faults=(fault,)), SEED)
    assert farm.truth[0].subject.type == subject_type
    # odds ratios of single parts; that of their mean risk is nearer 1, as always where risks differ
    under = affected(farm)
    odds = (farm.true_risk / (1 - farm.true_risk) / (farm.quiet_risk / (1 - farm.quiet_risk)))[under]
    # a design shares its plates with others, and accidents strike plates
    assert np.median(odds) == pytest.approx(3.0, rel=0.3 if subject_type == "design" else 0.05)
    assert 2.0 < farm.truth[0].odds_ratio < 3.05
    rise = (farm.true_risk / farm.quiet_risk)[~under]
    # an accident strikes a plate as a whole, so a design's neighbours share a little of its luck
    assert rise.max() < (2.0 if subject_type == "design" else 1.0 + 1e-9)
