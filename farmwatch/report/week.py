"""An ISO week: its label, its days."""

from __future__ import annotations

import datetime as dt
import re
from dataclasses import dataclass


@dataclass(frozen=True, order=True)
class Week:
    """One ISO week, Monday to Sunday."""

    year: int
    number: int

    @classmethod
    def of(cls, day: dt.date) -> Week:
        year, number, _ = day.isocalendar()
        return cls(year, number)

    @classmethod
    def parse(cls, text: str) -> Week:
        """From ``2031-W14``. Raises ``ValueError`` on anything else, and on a week that the year does not have."""
        match = re.fullmatch(r"(\d{4})-W(\d{2})", text)
        if match is None:
            raise ValueError(f"not an ISO week like 2031-W14: {text!r}")
        week = cls(int(match[1]), int(match[2]))
        dt.date.fromisocalendar(week.year, week.number, 1)
        return week

    @property
    def first(self) -> dt.date:
        return dt.date.fromisocalendar(self.year, self.number, 1)

    @property
    def last(self) -> dt.date:
        return self.first + dt.timedelta(days=6)

    def __str__(self) -> str:
        return f"{self.year:04d}-W{self.number:02d}"
