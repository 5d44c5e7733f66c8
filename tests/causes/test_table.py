"""The table as shipped is whole; a farm's own is laid over it; a broken one is refused in one line."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from farmwatch.causes.questions import CAUSES, CODES, DISTRIBUTIONS
from farmwatch.causes.table import CausesError, CauseTable, load_causes, load_signs
from farmwatch.records import SIGNS


def test_every_distribution_adds_up_and_leaves_nothing_impossible(table: CauseTable) -> None:
    for question in DISTRIBUTIONS:
        np.testing.assert_allclose(table.shares[question].sum(axis=1), 1.0, rtol=1e-12)
        assert table.shares[question].shape == (len(CODES), len(DISTRIBUTIONS[question]))
    for rows in table.results.values():
        np.testing.assert_allclose(rows.sum(axis=1), 1.0, rtol=1e-12)
    assert table.prior.sum() == pytest.approx(1.0)
    assert (table.prior > 0.0).all()


def test_what_is_left_of_one_goes_to_the_unnamed_in_proportion(table: CauseTable) -> None:
    # wash_spent names wash .96; of the .04 left a lot gets .13 of the usual 1 - .04
    row = dict(zip(DISTRIBUTIONS["who"], table.shares["who"][CODES.index("wash_spent")], strict=True))
    assert row["wash"] == pytest.approx(0.96)
    assert row["lot"] == pytest.approx(0.04 * 0.13 / 0.96)


def test_signs_are_the_thirteen_of_the_records() -> None:
    assert tuple(load_signs()) == SIGNS


def test_a_farm_changes_single_values(tmp_path: Path, table: CauseTable) -> None:
    path = tmp_path / "causes.toml"
    path.write_text(
        "[causes.film_worn]\nprior = 0.5\nsigns = { stretch = 1.0 }\n[checks.new_film]\nhours = 0.25\n",
        encoding="utf-8",
    )
    own = load_causes(path)
    assert own.causes["film_worn"].prior == 0.5
    assert own.causes["film_worn"].title == table.causes["film_worn"].title
    assert own.shares["signs"][CODES.index("film_worn")][SIGNS.index("split")] == 0.0
    assert own.checks["new_film"].hours == 0.25
    assert own.results["new_film"].tolist() == table.results["new_film"].tolist()


def test_no_file_of_the_farm_is_no_error(tmp_path: Path) -> None:
    assert set(load_causes(tmp_path / "causes.toml").causes) == set(CAUSES)


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("[causes.film_worn]\nwho = { printer = 1.2 }", "who.printer: Input should be less than or equal to 1"),
        ("[causes.film_worn]\nwho = { printer = 0.9, lot = 0.3 }", "causes.film_worn: who: adds up to 1.2, must not pass 1"),
        ("[causes.film_worn]\nwho = { martian = 0.9 }", "causes.film_worn: who: no answer of that name: 'martian'"),
        ("[causes.film_worn]\nsigns = { melted = 0.1 }", "signs: no answer of that name: 'melted'"),
        ("[causes.film_worn]\nmends = ['kicked']", "causes.film_worn: mends: no action of that name: 'kicked'"),
        ("[causes.film_worn]\nevents = { kicked = 0.1 }", "events: no event of that name: 'kicked'"),
        ("[causes.film_worn]\ncounters = { film = 0.5 }", "counters.film: Input should be greater than or equal to 1"),
        ("[causes.film_worn]\ncautions = []", "causes.film_worn: cautions: advice on handling needs at least one"),
        ("[causes.film_worn]\ncautions = ['luck']", "causes.film_worn.cautions: no caution of that name: 'luck'"),
        ("[causes.film_worn]\nodds = 3", "causes.film_worn.odds: unknown key"),
        ("[causes.film_worn]\nprior = -1", "causes.film_worn.prior: Input should be greater than or equal to 0"),
        ("[causes.gremlins]\nprior = 1", "causes.gremlins.title: is missing"),
        ("[checks.new_film]\nhours = 0", "checks.new_film.hours: Input should be greater than 0"),
        ("[checks.new_film]\notherwise = { clears = 0.5, stays = 0.2 }", "adds up to 0.7 with every result named, must be 1"),
        ("[checks.new_film]\notherwise = { clears = 1.0 }", "otherwise: must give every result a share"),
        ("[checks.new_film.likely]\ngremlins = { clears = 0.5, stays = 0.5 }", "likely: no cause of that name: 'gremlins'"),
        ("[usual]\ncold = 1.5", "usual.cold: Input should be less than or equal to 1"),
        ("[usual]\ncourse = { lasting = 1.0 }", "usual: course: the usual distribution must give every answer a share above 0"),
        ("[extra]\na = 1", "extra: unknown key"),
        ("causes = [", "not TOML"),
        ("\n".join(f"[causes.{c}]\nprior = 0" for c in CAUSES) + "\n[usual]\nprior = 0", "causes: every prior is 0"),
    ],
)  # fmt: skip
def test_a_broken_table_is_refused_with_file_key_and_reason(tmp_path: Path, text: str, says: str) -> None:
    path = tmp_path / "causes.toml"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(CausesError) as caught:
        load_causes(path)
    message = str(caught.value)
    assert message.startswith(str(path))
    assert says in message
    assert "\n" not in message
