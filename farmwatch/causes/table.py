"""The table of causes: read from ``config/causes.toml`` with a farm's own file over it, checked, made into arrays."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Annotated, Any

import numpy as np
from pydantic import BaseModel, ConfigDict, Field, ValidationError, model_validator

from farmwatch.causes.questions import CAUSES, CODES, COUNTERS, DISTRIBUTIONS, EVENTS, UNKNOWN, YES_NO
from farmwatch.records import ACTIONS, SIGNS
from farmwatch.settings import first_reason, read_toml, shipped

Chance = Annotated[float, Field(ge=0.0, le=1.0)]
Shares = dict[str, Chance]
#: how far a distribution may add up past one before it is refused: rounding in the file
SUM_TOLERANCE = 0.011


class CausesError(Exception):
    """A table of causes, or an answer to a check, that cannot be used; the message is one line and says where."""


class _Entry(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)


class _Answers(_Entry):
    """What a cause says of the questions; a question left out has the usual answers."""

    who: Shares = {}
    where: Shares = {}
    height: Shares = {}
    signs: Shares = {}
    course: Shares = {}
    measure: Shares = {}
    first_plate: Chance | None = None
    cold: Chance | None = None
    load: Chance | None = None
    aligned: Chance | None = None
    neighbours: Chance | None = None
    stood: Chance | None = None
    power_clears: Chance | None = None
    stirring_clears: Chance | None = None

    @model_validator(mode="after")
    def _distributions(self) -> _Answers:
        for question, answers in DISTRIBUTIONS.items():
            _check_distribution(question, getattr(self, question), answers, "answer")
        return self


class UsualEntry(_Answers):
    """``[usual]``: what the answers are when nothing special is wrong; every answer has a share."""

    prior: Annotated[float, Field(ge=0.0)]

    @model_validator(mode="after")
    def _complete(self) -> UsualEntry:
        for question, answers in DISTRIBUTIONS.items():
            shares = getattr(self, question)
            if set(shares) != set(answers) or min(shares.values()) <= 0.0:
                raise ValueError(f"{question}: the usual distribution must give every answer a share above 0")
        for question in YES_NO:
            if getattr(self, question) is None:
                raise ValueError(f"{question}: missing")
        return self


class CauseEntry(_Answers):
    """``[causes.CODE]``: words, prior weight, mend, and what its answers look like."""

    title: str
    says: str
    sketch: str
    prior: Annotated[float, Field(ge=0.0)]
    events: Shares = {}
    counters: dict[str, Annotated[float, Field(ge=1.0, le=20.0)]] = {}
    mend: str
    mends: list[str]
    cautions: list[str]
    desk: bool = False

    @model_validator(mode="after")
    def _codes(self) -> CauseEntry:
        _check_codes("events", self.events, EVENTS, "event")
        _check_codes("counters", self.counters, COUNTERS, "counter")
        _check_codes("mends", self.mends, ACTIONS, "action")
        _check_handling(self.desk, self.cautions)
        return self


class CheckEntry(_Entry):
    """``[checks.CODE]``: words, hours of hands, and the chance of each result under each cause, and ``otherwise``."""

    title: str
    does: str
    hours: Annotated[float, Field(gt=0.0)]
    cautions: list[str]
    desk: bool = False
    results: dict[str, str]
    otherwise: Shares
    likely: dict[str, Shares]

    @model_validator(mode="after")
    def _complete(self) -> CheckEntry:
        _check_handling(self.desk, self.cautions)
        if len(self.results) < 2:
            raise ValueError("results: a check needs at least two possible results")
        _check_codes("likely", self.likely, CODES, "cause")
        for where, shares in {
            "otherwise": self.otherwise,
            **{f"likely.{c}": s for c, s in self.likely.items()},
        }.items():
            _check_distribution(where, shares, tuple(self.results), "result")
            if set(shares) != set(self.results):
                raise ValueError(f"{where}: must give every result a share")
        return self


class _File(_Entry):
    usual: UsualEntry
    causes: dict[str, CauseEntry]
    checks: dict[str, CheckEntry]
    cautions: dict[str, str]

    @model_validator(mode="after")
    def _whole(self) -> _File:
        _check_codes("causes", self.causes, CAUSES, "cause")
        missing = [code for code in CAUSES if code not in self.causes]
        if missing:
            raise ValueError(f"causes: {missing[0]} is missing")
        if "always" not in self.cautions:
            raise ValueError("cautions: always is missing")
        for name, group in (("causes", self.causes), ("checks", self.checks)):
            for code, entry in group.items():
                _check_codes(f"{name}.{code}.cautions", entry.cautions, self.cautions, "caution")
        if self.usual.prior + sum(entry.prior for entry in self.causes.values()) <= 0.0:
            raise ValueError("causes: every prior is 0")
        return self


def _check_codes(where: str, given: Any, known: Any, noun: str) -> None:
    for code in given:
        if code not in known:
            raise ValueError(f"{where}: no {noun} of that name: {code!r}")


def _check_distribution(where: str, shares: Mapping[str, float], answers: tuple[str, ...], noun: str) -> None:
    _check_codes(where, shares, answers, noun)
    total = sum(shares.values())
    if total > 1.0 + SUM_TOLERANCE:
        raise ValueError(f"{where}: adds up to {total:.3g}, must not pass 1")
    if len(shares) == len(answers) and total < 1.0 - SUM_TOLERANCE:
        raise ValueError(f"{where}: adds up to {total:.3g} with every {noun} named, must be 1")


def _check_handling(desk: bool, cautions: list[str]) -> None:
    if not desk and not cautions:
        raise ValueError("cautions: advice on handling needs at least one (or desk = true, where nothing is handled)")


@dataclass(frozen=True)
class CauseTable:
    """The checked table. Rows of every array are :data:`CODES`, ``unknown`` last.

    ``prior`` (causes,) adds up to 1. ``shares[question]`` (causes, answers) rows add up to 1; ``yes[question]``,
    ``events[event]`` chances (causes,); ``counters[counter]`` steepness (causes,), 1 where a cause says nothing;
    ``results[check]`` (causes, results) rows add up to 1. No doubt about the table is mixed in yet.
    """

    usual: UsualEntry
    causes: Mapping[str, CauseEntry]
    checks: Mapping[str, CheckEntry]
    cautions: Mapping[str, str]
    seen: Mapping[str, str]
    prior: np.ndarray
    shares: Mapping[str, np.ndarray]
    yes: Mapping[str, np.ndarray]
    events: Mapping[str, np.ndarray]
    counters: Mapping[str, np.ndarray]
    results: Mapping[str, np.ndarray]

    def title(self, code: str) -> str:
        return "something that this table does not hold" if code == UNKNOWN else self.causes[code].title

    def caution(self, codes: list[str]) -> str:
        """The cautions of ``codes`` as one text that ends in deferring to those who know; empty without codes."""
        return " ".join([*(self.cautions[code] for code in codes), self.cautions["always"]]) if codes else ""


def load_causes(farm_causes: Path | None = None) -> CauseTable:
    """The shipped table with a farm's ``causes.toml`` over it, where there is one. Raises :class:`CausesError`."""
    table = read_toml(shipped("causes.toml"), CausesError)
    path = shipped("causes.toml")
    if farm_causes is not None and farm_causes.exists():
        path = farm_causes
        table = _merge(table, read_toml(farm_causes, CausesError))
    try:
        return _compile(_File.model_validate(table))
    except ValidationError as error:
        key = ".".join(str(part) for part in error.errors()[0]["loc"])
        raise CausesError(f"{path}: {key + ': ' if key else ''}{first_reason(error)}") from None


@cache
def load_signs() -> Mapping[str, str]:
    """What is seen, in plain words, for each code of ``sign``. Raises :class:`CausesError`."""
    path = shipped("signs.toml")
    words = read_toml(path, CausesError).get("signs", {})
    if set(words) != set(SIGNS):
        raise CausesError(f"{path}: signs: must hold exactly {', '.join(SIGNS)}")
    return dict(words)


#: keys whose values are replaced whole: half of a distribution from one file and half from another is neither
_WHOLE = {*DISTRIBUTIONS, "events", "counters", "results", "otherwise"}


def _merge(under: dict[str, Any], over: dict[str, Any], depth: int = 0) -> dict[str, Any]:
    merged = dict(under)
    for key, value in over.items():
        whole = key in _WHOLE or depth >= 3
        mergeable = isinstance(value, dict) and isinstance(merged.get(key), dict) and not whole
        merged[key] = _merge(merged[key], value, depth + 1) if mergeable else value
    return merged


def _compile(file: _File) -> CauseTable:
    entries: list[Any] = [file.causes[code] for code in CAUSES] + [file.usual]
    prior = np.array([entry.prior for entry in entries])
    return CauseTable(
        usual=file.usual,
        causes=file.causes,
        checks=file.checks,
        cautions=file.cautions,
        seen=load_signs(),
        prior=prior / prior.sum(),
        shares={q: _distributions(entries, q, file.usual) for q in DISTRIBUTIONS},
        yes={q: _chances(entries, q, file.usual) for q in YES_NO},
        events={e: np.array([getattr(entry, "events", {}).get(e, 0.0) for entry in entries]) for e in EVENTS},
        counters={c: np.array([getattr(entry, "counters", {}).get(c, 1.0) for entry in entries]) for c in COUNTERS},
        results={code: _results(check) for code, check in file.checks.items()},
    )


def _distributions(entries: list[Any], question: str, usual: UsualEntry) -> np.ndarray:
    """Named shares as given; the rest of 1 over the unnamed answers, in proportion to the usual ones."""
    usual_shares = np.array([getattr(usual, question)[answer] for answer in DISTRIBUTIONS[question]])
    rows = []
    for entry in entries:
        named = getattr(entry, question)
        share = np.array([named.get(answer, np.nan) for answer in DISTRIBUTIONS[question]])
        free = np.isnan(share)
        rest = max(1.0 - float(np.nansum(share)), 0.0)
        share[free] = rest * usual_shares[free] / usual_shares[free].sum() if free.any() else 0.0
        rows.append(share / share.sum())
    return np.array(rows)


def _chances(entries: list[Any], question: str, usual: UsualEntry) -> np.ndarray:
    given = [getattr(entry, question) for entry in entries]
    return np.array([getattr(usual, question) if chance is None else chance for chance in given])


def _results(check: CheckEntry) -> np.ndarray:
    rows = [check.likely.get(code, check.otherwise) for code in CODES]
    share = np.array([[row[result] for result in check.results] for row in rows])
    return share / share.sum(axis=1, keepdims=True)
