"""Findings and patterns to weigh."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable
from typing import Any

import pytest

from farmwatch.causes.table import CauseTable, load_causes
from farmwatch.evidence import Evidence, Finding, Subject
from farmwatch.settings import Settings, load_settings

DAY = dt.date(2031, 3, 10)


def make_finding(**changes: Any) -> Finding:
    fields: dict[str, Any] = {
        "kind": "rate_shift",
        "subject": Subject("printer", "P-01"),
        "since": DAY,
        "since_low": DAY,
        "since_high": DAY,
        "observed": 24.0,
        "expected": 4.0,
        "opportunities": 60.0,
        "unit": "parts",
        "effect": 6.0,
        "effect_low": 3.0,
        "effect_high": 11.0,
        "effect_unit": "odds ratio",
        "error_rate": 0.02,
        "score": 2.0,
        "direction": "up",
    }
    return Finding("F310320-abcd", Evidence(**{**fields, **changes}), DAY, DAY)


@pytest.fixture
def finding() -> Callable[..., Finding]:
    return make_finding


@pytest.fixture(scope="session")
def table() -> CauseTable:
    return load_causes()


@pytest.fixture(scope="session")
def settings() -> Settings:
    return load_settings()
