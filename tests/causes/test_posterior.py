"""Posteriors worked by hand, and the parts of the likelihood against brute force."""

from __future__ import annotations

import itertools
from math import comb, exp, factorial, log
from pathlib import Path

import numpy as np
import pytest
from scipy.special import gammaln

from farmwatch.causes.pattern import Age, Answer, Composition, Entered, Nearby, Pattern
from farmwatch.causes.posterior import dirichlet_multinomial, weigh
from farmwatch.causes.questions import CAUSES, CODES
from farmwatch.causes.table import CauseTable, load_causes
from farmwatch.records import SIGNS
from farmwatch.settings import Settings

# three causes and nothing else: priors 1, 1, 2
PRIORS = {"lamp_hot": 1, "lot_fast": 1, "film_worn": 2}
SAYS = {
    "lamp_hot": "who = { printer = 0.8, lot = 0.1 }\nevents = { lamp_changed = 0.5 }\ncounters = { film = 1 }",
    "lot_fast": "who = { printer = 0.1, lot = 0.8 }\nevents = {}\ncounters = { film = 1 }",
    "film_worn": "who = { printer = 0.9, lot = 0.05 }\nevents = {}\ncounters = { film = 4 }",
}
HAND = "[usual]\nprior = 0\n" + "\n".join(
    f"[causes.{code}]\nprior = {PRIORS.get(code, 0)}\n{SAYS.get(code, '')}" for code in CAUSES
)


@pytest.fixture
def hand(tmp_path: Path) -> CauseTable:
    path = tmp_path / "causes.toml"
    path.write_text(HAND, encoding="utf-8")
    return load_causes(path)


@pytest.fixture
def plain(settings: Settings) -> Settings:
    """Bayes without tempering, doubt or pairs, so that the arithmetic can be done on paper."""
    causes = settings.causes.model_copy(update={"table_doubt": 0.0, "evidence_weight": 1.0, "pair_factor": 0.0})
    return settings.model_copy(update={"causes": causes})


def _given(pattern: Pattern, table: CauseTable, settings: Settings) -> dict[str, float]:
    return dict(zip(CODES, weigh(pattern, table, settings.causes).probability, strict=True))


def test_one_answer_by_hand(hand: CauseTable, plain: Settings) -> None:
    # prior x share: lamp_hot 1 x .8 = .8; lot_fast 1 x .1 = .1; film_worn 2 x .9 = 1.8; together 2.7
    got = _given(Pattern(answers=(Answer("who", "printer", "one printer"),)), hand, plain)
    assert got["lamp_hot"] == pytest.approx(0.8 / 2.7)
    assert got["lot_fast"] == pytest.approx(0.1 / 2.7)
    assert got["film_worn"] == pytest.approx(1.8 / 2.7)
    assert got["unknown"] == 0.0


def test_two_names_for_one_thing_by_hand(hand: CauseTable, plain: Settings) -> None:
    # printer or lot, evenly: lamp_hot (.8+.1)/2 = .45; lot_fast .45; film_worn 2 x (.9+.05)/2 = .95; together 1.85
    share = np.zeros(11)
    share[[0, 1]] = 0.5
    got = _given(Pattern(answers=(Answer("who", "printer", "either", share=share),)), hand, plain)
    assert got["lamp_hot"] == pytest.approx(0.45 / 1.85)
    assert got["film_worn"] == pytest.approx(0.95 / 1.85)


def test_event_near_the_beginning_by_hand(hand: CauseTable, plain: Settings) -> None:
    # a lamp changed: by coincidence .2; under lamp_hot 1 - .5 x .8 = .6; weights .8 x .6 = .48, .1 x .2 = .02,
    # 1.8 x .2 = .36, together .86
    pattern = Pattern((Answer("who", "printer", "one printer"),), nearby=(Nearby("lamp_changed", True, 0.2, "lamp"),))
    got = _given(pattern, hand, plain)
    assert got["lamp_hot"] == pytest.approx(0.48 / 0.86)
    # no lamp changed: .8 x .4 = .32, .1 x .8 = .08, 1.8 x .8 = 1.44, together 1.84
    pattern = Pattern((Answer("who", "printer", "one printer"),), nearby=(Nearby("lamp_changed", False, 0.2, "none"),))
    assert _given(pattern, hand, plain)["lamp_hot"] == pytest.approx(0.32 / 1.84)


def test_counter_by_hand(hand: CauseTable, plain: Settings) -> None:
    # rank .9, steepness 4: 4 x .9^3 = 2.916 against 1: weights 1, 1, 2 x 2.916 = 5.832, together 7.832
    got = _given(Pattern(ages=(Age("film", 0.9, "old film"),)), hand, plain)
    assert got["film_worn"] == pytest.approx(5.832 / 7.832)


def test_result_of_a_check_by_hand(hand: CauseTable, plain: Settings) -> None:
    # irradiance high: lamp_hot .90, others .02: weights .9, .02, 2 x .02 = .04, together .96
    got = _given(Pattern(entered=(Entered("irradiance_grid", "high"),)), hand, plain)
    assert got["lamp_hot"] == pytest.approx(0.9 / 0.96)
    assert got["film_worn"] == pytest.approx(0.04 / 0.96)


def test_tempering_by_hand(hand: CauseTable, plain: Settings) -> None:
    # half the power, and half the weight: the fourth root of each likelihood
    half = plain.model_copy(update={"causes": plain.causes.model_copy(update={"evidence_weight": 0.5})})
    got = _given(Pattern(answers=(Answer("who", "printer", "one printer", weight=0.5),)), hand, half)
    rows = [0.8**0.25, 0.1**0.25, 2.0 * 0.9**0.25]
    assert got["lamp_hot"] == pytest.approx(rows[0] / sum(rows))


def test_doubt_by_hand(hand: CauseTable, plain: Settings) -> None:
    # a tenth of each answer is the usual .34: .9 x .8 + .034 = .754, .9 x .1 + .034 = .124, 2 x (.9 x .9 + .034) = 1.688
    doubt = plain.model_copy(update={"causes": plain.causes.model_copy(update={"table_doubt": 0.1})})
    got = _given(Pattern(answers=(Answer("who", "printer", "one printer"),)), hand, doubt)
    assert got["lamp_hot"] == pytest.approx(0.754 / (0.754 + 0.124 + 1.688))


def test_pair_by_hand(hand: CauseTable, plain: Settings) -> None:
    # Priors 1/4, 1/4, 1/2. One item says lamp_hot (.9 against .02), one says film_worn (2.916 against 1).
    # Singles: lamp .25 x .9 x 1 = .225; lot .25 x .02 x 1 = .005; film .5 x .02 x 2.916 = .02916.
    # Pairs, prior 2 x factor .5 x p x q, each item the mean of the two:
    #   lamp+lot  .0625 x .46 x 1     = .02875
    #   lamp+film .125  x .46 x 1.958 = .112585
    #   lot+film  .125  x .02 x 1.958 = .004895
    pairs = plain.model_copy(update={"causes": plain.causes.model_copy(update={"pair_factor": 0.5})})
    pattern = Pattern(ages=(Age("film", 0.9, "old film"),), entered=(Entered("irradiance_grid", "high"),))
    total = 0.225 + 0.005 + 0.02916 + 0.02875 + 0.112585 + 0.004895
    posterior = weigh(pattern, hand, pairs.causes)
    got = dict(zip(CODES, posterior.probability, strict=True))
    assert got["lamp_hot"] == pytest.approx((0.225 + 0.02875 / 2 + 0.112585 / 2) / total)
    assert got["film_worn"] == pytest.approx((0.02916 + 0.112585 / 2 + 0.004895 / 2) / total)
    assert posterior.probability.sum() == pytest.approx(1.0)
    assert set(posterior.pairs[0][:2]) == {"lamp_hot", "film_worn"}
    assert posterior.pairs[0][2] == pytest.approx(0.112585 / total)


def test_one_failing_plate_has_the_mean_of_the_mixture(hand: CauseTable, plain: Settings) -> None:
    # One plate, sign fused, three quarters of the failures in excess, background 1/13 each:
    # lamp_hot and lot_fast .75 x .88 + .25/13; film_worn's fused: what is left of its 1 - .54 - .38 = .08, in
    # proportion to the usual: .08 x .08 / (1 - .15 - .05) = .008
    counts = np.zeros(13)
    counts[SIGNS.index("fused")] = 1.0
    flat = np.full(13, 1.0 / 13.0)
    got = _given(Pattern(compositions=(Composition("signs", counts, flat, 0.75, "fused"),)), hand, plain)
    fused, worn = 0.75 * 0.88 + 0.25 / 13, 0.75 * 0.008 + 0.25 / 13
    assert got["lamp_hot"] == pytest.approx(fused / (2 * fused + 2 * worn))
    assert got["film_worn"] == pytest.approx(2 * worn / (2 * fused + 2 * worn))


def test_dirichlet_multinomial_adds_up_to_one() -> None:
    mean, weight, number = np.array([[0.6, 0.3, 0.1]]), np.array([4.0]), 5
    total = 0.0
    for counts in itertools.product(range(number + 1), repeat=3):
        if sum(counts) == number:
            ways = factorial(number) / np.prod([factorial(k) for k in counts])
            total += ways * exp(dirichlet_multinomial(np.array(counts, float), mean, weight)[0])
    assert total == pytest.approx(1.0)


def test_dirichlet_multinomial_of_two_answers_is_the_beta_binomial() -> None:
    from scipy.stats import betabinom

    mean, weight = np.array([[0.3, 0.7]]), np.array([6.0])
    got = dirichlet_multinomial(np.array([4.0, 9.0]), mean, weight)[0] + log(comb(13, 4))
    assert got == pytest.approx(betabinom.logpmf(4, 13, 1.8, 4.2))


def test_a_thousand_plates_are_not_surer_than_the_table() -> None:
    # with weight w, the most that n plates of one sign can say against share b grows as log n, not as n
    shares, weight = np.array([[0.6, 0.4], [0.4, 0.6]]), np.array([10.0, 10.0])
    few, many = (np.diff(dirichlet_multinomial(np.array([n, 0.0]), shares, weight))[0] for n in (10.0, 1000.0))
    assert abs(many) < 2.0 * log(1000.0 / 10.0) + abs(few)
    # brute force of the same ratio: rising factorials
    rising = gammaln(6 + 10) - gammaln(6) - gammaln(4 + 10) + gammaln(4)
    assert -few == pytest.approx(rising)


def test_support_is_the_likelihood_against_the_others(hand: CauseTable, plain: Settings) -> None:
    # lamp_hot .8 against lot_fast and film_worn by their priors: (1 x .1 + 2 x .9) / 3 = 1.9/3
    posterior = weigh(Pattern(answers=(Answer("who", "printer", "one printer"),)), hand, plain.causes)
    assert posterior.support[0, CODES.index("lamp_hot")] == pytest.approx(log(0.8 / (1.9 / 3)))


def test_nothing_seen_leaves_the_priors(table: CauseTable, settings: Settings) -> None:
    plain = settings.causes.model_copy(update={"pair_factor": 0.0})
    np.testing.assert_allclose(weigh(Pattern(), table, plain).probability, table.prior, rtol=1e-12)
