"""Risk against a counter: the slope, the evidence against steps, counts and their intervals."""

import numpy as np
import pytest

from farmwatch.stats.hazard import (
    LEVELS,
    count_at_risk,
    fit_shape,
    fit_slope,
    plate_terms,
    pooled_evidence,
    trend_scores,
    wear_evidence,
)
from farmwatch.stats.plate_model import PlateModel, plate_log_likelihood

MODEL = PlateModel(0.1, 0.1)
ALONE = PlateModel(0.005, 0.02)  # parts of a plate that hardly share anything


def _plates(
    rng: np.random.Generator, number: int = 400, slope: float = 0.0, holders: int = 1
) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    counter = rng.uniform(0, 1, number)
    holder = rng.integers(0, holders, number)
    parts = rng.integers(3, 9, number).astype(float)
    probability = rng.uniform(0.03, 0.12, number)
    odds = np.log(probability / (1 - probability)) + slope * counter + 0.4 * (holder % 3 - 1)
    return counter, rng.binomial(parts.astype(int), 1 / (1 + np.exp(-odds))).astype(float), parts, probability, holder


def test_slope_agrees_with_statsmodels() -> None:
    import statsmodels.api as sm

    counter, failures, parts, probability, holder = _plates(np.random.default_rng(1), slope=1.0, holders=4)
    found = fit_slope(counter, failures, parts, probability, holder)
    design = np.column_stack([counter, np.eye(4)[holder]])
    offset = np.log(probability / (1 - probability))
    data = np.column_stack([failures, parts - failures])
    other = sm.GLM(data, design, family=sm.families.Binomial(), offset=offset).fit(tol=1e-12)
    assert found.slope == pytest.approx(other.params[0], rel=1e-7)
    assert found.se == pytest.approx(other.bse[0], rel=1e-6)


def test_slope_comes_back_without_noise_in_any_unit() -> None:
    counter = np.linspace(0, 60_000, 50)
    odds = np.log(0.05 / 0.95) + 0.3 + np.log(2.0) * counter / 20_000
    failures = 5.0 / (1 + np.exp(-odds))
    found = fit_slope(counter, failures, np.full(50, 5.0), np.full(50, 0.05), np.zeros(50, int))
    assert count_at_risk(found, 2.0).count == pytest.approx(20_000, rel=1e-9)
    assert count_at_risk(found, 4.0).count == pytest.approx(40_000, rel=1e-9)


def test_slope_interval_covers_and_correlated_parts_widen_it() -> None:
    rng = np.random.default_rng(2)
    hits = 0
    for _ in range(500):
        counter, failures, parts, probability, holder = _plates(rng, 300, 1.0)
        found = fit_slope(counter, failures, parts, probability, holder)
        hits += found.low <= 1.0 <= found.high
    assert 0.925 < hits / 500 < 0.975
    wide = fit_slope(counter, failures, parts, probability, holder, rho=0.3)
    assert wide.se > 1.2 * found.se


@pytest.mark.parametrize("failures", [np.zeros(20), np.full(20, 4.0)])
def test_slope_refuses_what_says_nothing(failures: np.ndarray) -> None:
    found = fit_slope(np.arange(20.0), failures, np.full(20, 4.0), np.full(20, 0.05), np.zeros(20, int))
    assert found.refused
    assert np.isnan(count_at_risk(found).count)


def test_evidence_is_the_brute_force_ratio() -> None:
    """Second route: every step at every date tried one by one."""
    rng = np.random.default_rng(3)
    counter, failures, parts, probability, _ = _plates(rng, 40, 2.0)
    counter = np.sort(counter)
    found = wear_evidence(counter, failures, parts, probability, MODEL, 1.0, np.array([0, 10]))
    for start, one in zip((0, 10), found, strict=True):
        y, n, p = failures[start:], parts[start:], probability[start:]
        odds = p / (1 - p)
        null = plate_log_likelihood(y, n, p, MODEL)
        table = np.array(
            [plate_log_likelihood(y, n, odds * np.exp(v) / (1 + odds * np.exp(v)), MODEL) - null for v in LEVELS]
        )
        constant = max(table.sum(axis=1).max(), 0.0)
        step = max(
            table[a, :k].sum() + table[b, k:].sum()
            for k in range(1, y.size + 1)
            for a in range(LEVELS.size)
            for b in range(LEVELS.size)
        )
        assert one.log_constant == pytest.approx(constant, abs=0.02)
        assert one.log_step == pytest.approx(max(step, 0.0), abs=0.02)
        assert one.log_e <= one.log_wear - one.log_constant + 1e-12


def test_evidence_seldom_passes_its_limit_however_often_one_looks() -> None:
    """Nothing wears, the level is unknown: at most 1 in 10 streams may ever pass ln 10, looked at 20 times."""
    rng = np.random.default_rng(4)
    passed = 0
    for _ in range(300):
        counter, failures, parts, probability, _ = _plates(rng, 200)
        probability = np.clip(probability * np.exp(rng.normal(0, 0.4)), 0.01, 0.5)
        logs = [
            wear_evidence(counter[:n], failures[:n], parts[:n], probability[:n], ALONE, 1.0, np.array([0]))[0].log_e
            for n in range(10, 201, 10)
        ]
        passed += max(logs) > np.log(10.0)
    assert passed <= 30


def test_plates_speak_by_the_plate_model() -> None:
    """Second route: the likelihood at the shifted risk itself, not read off a table."""
    rng = np.random.default_rng(6)
    _, failures, parts, probability, _ = _plates(rng, 50)
    shifts = rng.uniform(-1.6, 3.0, (50, 7))
    odds = (probability / (1 - probability))[:, None] * np.exp(shifts)
    exact = plate_log_likelihood(failures[:, None], parts[:, None], odds / (1 + odds), MODEL)
    exact -= plate_log_likelihood(failures, parts, probability, MODEL)[:, None]
    assert plate_terms(failures, parts, probability, MODEL, shifts) == pytest.approx(exact, abs=5e-3)


def test_three_lost_plates_late_on_a_film_are_no_wear() -> None:
    """Accidents that happen to stand at the end of the counter: three events, not three dozen."""
    counter = np.linspace(0, 1, 120)
    parts, probability, failures = np.full(120, 12.0), np.full(120, 0.03), np.zeros(120)
    failures[::9] = 1.0
    failures[[84, 101, 117]] = 12.0
    one = wear_evidence(counter, failures, parts, probability, PlateModel(0.05, 0.2), 1.0, np.array([0]))[0]
    assert one.log_e < np.log(10.0)
    # as many failures one by one on as many late plates are more than three events
    spread = np.where(failures == 12.0, 0.0, failures)
    spread[-58::2] += 1.0
    lone = wear_evidence(counter, spread, parts, probability, PlateModel(0.05, 0.2), 1.0, np.array([0]))[0]
    assert lone.log_e > one.log_e + np.log(10.0)


def test_wear_beats_a_step_and_a_step_beats_wear() -> None:
    rng = np.random.default_rng(5)
    counter = np.tile(np.linspace(0, 1, 150), 4)
    parts, probability = np.full(600, 6.0), np.full(600, 0.04)
    ramp = np.log(probability / (1 - probability)) + np.log(2.0) * counter / 0.3
    step = np.log(probability / (1 - probability)) + 1.5 * (np.arange(600) >= 330)
    leads = []
    for odds in (ramp, step):
        failures = rng.binomial(6, 1 / (1 + np.exp(-odds))).astype(float)
        one = wear_evidence(counter, failures, parts, probability, ALONE, 1.0, np.array([0]))[0]
        leads.append(one.log_wear - one.log_step)
    assert leads[0] > 10.0
    assert leads[1] < -5.0


def test_the_count_of_doubling_is_recovered() -> None:
    counter = np.tile(np.linspace(0, 50_000, 200), 3)
    odds = np.log(0.04 / 0.96) + np.log(2.0) * np.maximum(counter - 15_000, 0.0) / 10_000
    failures = 6.0 / (1 + np.exp(-odds))
    found = fit_shape(counter, failures, np.full(600, 6.0), np.full(600, 0.04), 0.0, 40_000.0, (2.0, 4.0))
    assert found.counts[0].count == pytest.approx(25_000, rel=0.1)
    assert found.counts[0].low < 25_000 < found.counts[0].high
    assert found.counts[1].count == pytest.approx(35_000, rel=0.1)


def test_pooled_evidence_is_the_integral_it_stands_for() -> None:
    from scipy.integrate import quad
    from scipy.stats import norm

    scores = np.array([1.2, -0.4, 2.0, 0.9, 1.1])
    variance = max(float(scores @ scores), 3.0)
    value, _ = quad(lambda b: 2 * norm.pdf(b, 0, 2.0) * np.exp(b * scores.sum() - b**2 * variance / 2), 0, 30)
    assert pooled_evidence(scores, 3.0, 2.0) == pytest.approx(np.log(value), rel=1e-8)


def test_pooled_evidence_averages_at_most_one_without_wear() -> None:
    rng = np.random.default_rng(6)
    values = []
    for _ in range(800):
        counter, failures, parts, probability, holder = _plates(rng, 400, 0.0, 6)
        scores, information, z = trend_scores(counter, failures, parts, probability, holder, holder, 0.0)
        assert z.shape == (6,)
        values.append(np.exp(pooled_evidence(scores, information, 2.0)))
    assert np.mean(values) < 1.0 + 4 * np.std(values) / np.sqrt(800)


def test_trend_scores_are_the_slope_and_information_of_a_logistic_fit() -> None:
    """Second route: derivatives of the log-likelihood by differences, each holder's level eliminated."""
    rng = np.random.default_rng(9)
    holder = np.repeat([0, 1], 30)
    spell = np.repeat([0, 1, 2], 20)
    counter, parts = rng.uniform(0.0, 1.0, 60), rng.integers(3, 12, 60).astype(float)
    probability = rng.uniform(0.05, 0.4, 60)
    failures = parts * probability  # so that every holder fails just as expected, and its level is nought
    failures += 0.2 * parts * np.where(np.arange(60) % 2, 0.1, -0.1) * np.sqrt(parts)
    for who in range(2):
        failures[holder == who] -= (failures - parts * probability)[holder == who].mean()

    def log_likelihood(level: np.ndarray, slope: np.ndarray) -> float:
        linear = np.log(probability / (1.0 - probability)) + level[holder] + slope[spell] * counter
        return float(failures @ linear - parts @ np.logaddexp(0.0, linear))

    scores, information, z = trend_scores(counter, failures, parts, probability, holder, spell, 0.0)
    step = 1e-4
    for place in range(3):
        up = step * (np.arange(3) == place)
        by_differences = (log_likelihood(np.zeros(2), up) - log_likelihood(np.zeros(2), -up)) / (2.0 * step)
        inside = spell == place
        residual = failures - parts * probability
        middle = [
            np.average(counter[holder == w], weights=(parts * probability * (1 - probability))[holder == w])
            for w in (0, 1)
        ]
        # the level's share: nought over a whole holder, so it only moves score between the spells of one holder
        assert scores[place] == pytest.approx(
            by_differences - float((residual * np.array(middle)[holder])[inside].sum()), rel=1e-5, abs=1e-7
        )
    whole = 0.0
    for who in range(2):
        mine = (holder == who).astype(float)

        def at(level: float, slope: float, mine: np.ndarray = mine) -> float:
            linear = np.log(probability / (1.0 - probability)) + mine * (level + slope * counter)
            return float(failures @ linear - parts @ np.logaddexp(0.0, linear))

        h = 1e-3
        of_level = -(at(h, 0) - 2 * at(0, 0) + at(-h, 0)) / h**2
        of_slope = -(at(0, h) - 2 * at(0, 0) + at(0, -h)) / h**2
        across = -(at(h, h) - at(h, -h) - at(-h, h) + at(-h, -h)) / (4 * h**2)
        whole += of_slope - across**2 / of_level
    assert information == pytest.approx(whole, rel=1e-4)
    assert z.shape == (2,)
