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
        try:
            week = cls(int(match[1]), int(match[2])) if match else None
            if week is not None and week.first <= dt.date.max - dt.timedelta(days=6):
                return week
        except ValueError:
            pass
        raise ValueError(f"not an ISO week like 2031-W14: {text!r}")

    @property
    def first(self) -> dt.date:
        return dt.date.fromisocalendar(self.year, self.number, 1)

    @property
    def last(self) -> dt.date:
        return self.first + dt.timedelta(days=6)

    def __str__(self) -> str:
        return f"{self.year:04d}-W{self.number:02d}"
