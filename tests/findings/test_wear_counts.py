"""What is told of wear: since when and how many, counted alike."""

from __future__ import annotations

import datetime as dt

from farmwatch.evidence import Evidence, Subject
from farmwatch.findings.merge import draw_together

BATH = Subject("wash", "wash-1")


def item(kind: str, sign: str | None, since: int, observed: float, score: float) -> Evidence:
    day = dt.date(2031, 3, since)
    return Evidence(kind, BATH, day, day, day, observed, 2.0, 100.0, "parts", 130.0, 90.0, 150.0, "runs", 0.01, score, "up",
                    sign=sign)  # type: ignore[arg-type]  # fmt: skip


def test_the_rates_of_the_same_failures_say_since_when_and_how_many() -> None:
    (told,) = draw_together([item("wear", "tacky", 1, 90.0, 5.0), item("rate_shift", "tacky", 9, 40.0, 3.0)])
    assert (told.kind, told.effect, told.since.day, told.observed) == ("wear", 130.0, 9, 40.0)


def test_other_failures_are_not_counted_as_those_of_the_wear() -> None:
    (told,) = draw_together([item("wear", "tacky", 1, 90.0, 5.0), item("rate_shift", None, 9, 40.0, 3.0)])
    assert (told.kind, told.since.day, told.observed) == ("wear", 1, 90.0)
