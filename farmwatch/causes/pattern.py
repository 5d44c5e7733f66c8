"""The pattern of a finding: what it answers to each question, kept beside the plates that say so."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass

import numpy as np


@dataclass(frozen=True)
class Answer:
    """One answer to one question. ``weight`` between 0 and 1: how much the answer may be leaned on.

    ``share`` (answers of the question,) says how likely each of several answers is, where the records cannot tell
    (two names for one thing), or how sure a yes is; it adds up to 1. The answers of a yes-or-no question are yes and no.
    """

    question: str
    answer: str
    words: str
    weight: float = 1.0
    share: np.ndarray | None = None
    run_ids: tuple[str, ...] = ()


@dataclass(frozen=True)
class Composition:
    """How failures divide over the answers of a question, in plates.

    ``counts`` (answers,): a plate counts once, shared between what was seen on it. ``background`` (answers,) adds up
    to 1: what the farm's other failures look like. ``excess``: share of these failures that are more than expected.
    """

    question: str
    counts: np.ndarray
    background: np.ndarray
    excess: float
    words: str
    run_ids: tuple[str, ...] = ()


@dataclass(frozen=True)
class Nearby:
    """Whether an event lies near the beginning; ``coincidence``: the chance of that for an unrelated one."""

    event: str
    near: bool
    coincidence: float
    words: str


@dataclass(frozen=True)
class Age:
    """How far a wear counter stood at the beginning: ``rank`` 0 fresh, 1 as far as they get on this farm."""

    counter: str
    rank: float
    words: str


@dataclass(frozen=True)
class Entered:
    """A check's result that somebody entered."""

    check: str
    result: str
    on: dt.date | None = None


@dataclass(frozen=True)
class Pattern:
    """Everything that speaks for one cause or another. ``silent``: what the records could not answer, and why."""

    answers: tuple[Answer, ...] = ()
    compositions: tuple[Composition, ...] = ()
    nearby: tuple[Nearby, ...] = ()
    ages: tuple[Age, ...] = ()
    entered: tuple[Entered, ...] = ()
    silent: tuple[str, ...] = ()

    def answer(self, question: str) -> Answer | None:
        return next((answer for answer in self.answers if answer.question == question), None)
