"""What lay near the beginning: the first plate, service events and new bottles, settings, and the wear counters."""

from __future__ import annotations

import numpy as np
import pandas as pd

from farmwatch.causes.context import Case, Context
from farmwatch.causes.pattern import Age, Answer, Nearby
from farmwatch.causes.questions import COUNTER_WORDS, COUNTERS, EVENT_WORDS, YES_NO, day_words, percent
from farmwatch.evidence import Evidence, Subject

#: which events are looked for near the beginning, by whom the finding is about
_EVENTS = {
    "printer": (
        "film_changed",
        "panel_changed",
        "lamp_changed",
        "plate_levelled",
        "plate_changed",
        "screw_or_nut_changed",
        "firmware_changed",
        "vat_cleaned",
        "resin_changed",
    ),
    "lot": ("resin_stirred", "resin_changed"),
    "wash": ("wash_changed",),
    "room": ("room_heated",),
    "profile": ("profile_changed",),
}
_COUNTERS = {"printer": ("film", "lamp", "panel", "screw"), "wash": ("bath",), "lot": ("bottle",)}
_SETTINGS = ("exposure_s", "base_exposure_s", "base_layers", "rest_s", "lift_speed_mm_min", "layer_height_mm")
_DAY = np.timedelta64(1, "D")
#: plates before the beginning at which "well at first" counts half
_WELL = 5.0
#: how much likelier a suspect is that ran first when it began: few old ones would have begun just then by chance
NEWCOMER = 5.0


def suspects(evidence: Evidence) -> tuple[Subject, ...]:
    """The finding's subject, with those that the records cannot tell from it."""
    return (evidence.subject, *(rival for rival in evidence.rivals if not evidence.separable))


def newcomers(case: Case) -> tuple[Subject, ...]:
    """Which of several suspects ran first when it began, or a few days before: the first plates may be well by luck.

    A start of the record itself makes nobody new.
    """
    context, found = case.context, []
    low, high = (np.datetime64(day, "D") for day in (case.evidence.since_low, case.evidence.since_high))
    low -= context.settings.causes.event_window_days * _DAY
    for subject in suspects(case.evidence):
        plates = context.plates_of(subject) if subject.type not in ("run", "farm") else np.array([], int)
        first = context.day[plates].min() if len(plates) else None
        if first is not None and low <= first <= high and first > context.day.min() + 7 * _DAY:
            found.append(subject)
    return tuple(found)


def first_plate(case: Case) -> Answer | None:
    """Whether the subject was bad from its first plate; a start of the record itself is leaned on lightly.

    Of suspects that the records cannot tell apart, one that was new when it began counts more than the old ones.
    """
    if case.evidence.subject.type in ("run", "farm") or not len(case.all_plates):
        return None
    several, new = suspects(case.evidence), newcomers(case)
    if len(several) > 1 and new:
        yes = NEWCOMER * len(new) / (NEWCOMER * len(new) + len(several) - len(new))
        words = f"the {' and the '.join(dict.fromkeys(subject.type for subject in new))} ran first when it began"
        return Answer("first_plate", "yes", words, share=np.array([yes, 1.0 - yes]), run_ids=case.run_ids(case.plates))
    first = case.context.day[case.all_plates].min()
    low, high = (np.datetime64(day, "D") for day in (case.evidence.since_low, case.evidence.since_high))
    from_first = case.evidence.kind == "rate_level" or low <= first
    sure = 1.0 if not from_first or high <= first + 7 * _DAY else 0.5
    if from_first and first <= case.context.day.min() + 7 * _DAY:
        sure = min(sure, 0.3)
    if not from_first:
        before = float((case.context.day[case.all_plates] < low).sum())
        sure = before / (before + _WELL)  # of few plates none may have failed by luck
    words = YES_NO["first_plate"][0 if from_first else 1]
    return Answer("first_plate", "yes" if from_first else "no", words, sure, run_ids=case.run_ids(case.all_plates[:1]))


def nearby(case: Case) -> tuple[Nearby, ...]:
    """Events near the beginning, and the absence of those that this farm does write down.

    Of suspects beside the subject only what did happen counts: that nothing was done to them clears nobody.
    """
    days = case.context.settings.causes.event_window_days
    low = np.datetime64(case.evidence.since_low, "D") - days * _DAY
    high = np.datetime64(case.evidence.since_high, "D") + _DAY
    found: dict[str, Nearby] = {}
    for subject in suspects(case.evidence):
        for event in _of_subject(case.context, subject, low, high):
            if subject == case.evidence.subject or (event.near and not _near(found.get(event.event))):
                found[event.event] = event
    return tuple(found.values())


def _near(event: Nearby | None) -> bool:
    return event is not None and event.near


def _of_subject(context: Context, subject: Subject, low: np.datetime64, high: np.datetime64) -> list[Nearby]:
    """Events of one suspect between ``low`` and ``high``."""
    width = float((high - low) / _DAY) + 1.0
    found: list[Nearby] = []
    service = context.service
    of_type = service[(service["subject_type"] == subject.type).to_numpy(bool)]
    own = of_type[(of_type["subject_id"] == subject.id).to_numpy(bool)]
    for event in _EVENTS.get(subject.type, ()):
        rows = (of_type["action"] == event).to_numpy(bool)
        if not rows.any():
            continue
        mine = own["day"].to_numpy().astype("datetime64[D]")[(own["action"] == event).to_numpy(bool)]
        near = mine[(mine >= low) & (mine <= high)]
        rate = (rows.sum() + 0.5) / (_subjects(context, subject.type) * _span(context))
        found.append(_event(event, near, 1.0 - np.exp(-rate * width)))
    if subject.type not in ("printer", "profile"):
        return found
    plates = context.plates_of(subject)
    bottles = _new_bottles(context, plates)
    if subject.type == "printer" and len(bottles):
        near = bottles[(bottles >= low) & (bottles <= high)]
        found.append(_event("new_bottle", near, 1.0 - np.exp(-len(bottles) / _span(context) * width)))
    if subject.type == "profile":
        moved = _settings_moved(context, plates, low, high)
        words = f"{EVENT_WORDS['settings_changed']} near the beginning" if moved else "its settings stayed as they were"
        found.append(Nearby("settings_changed", moved, 0.05, words))
    return found


def _event(event: str, near: np.ndarray, coincidence: float) -> Nearby:
    coincidence = float(np.clip(coincidence, 0.0, 0.95))
    if not len(near):
        return Nearby(event, False, coincidence, f"no word that {EVENT_WORDS[event]} near the beginning")
    return Nearby(event, True, coincidence, f"{EVENT_WORDS[event]} on {day_words(near[-1].item())}")


def _span(context: Context) -> float:
    return max(float((context.day.max() - context.day.min()) / _DAY), 30.0) if len(context.day) else 30.0


def _subjects(context: Context, kind: str) -> int:
    column = {"printer": "printer_id", "lot": "lot_id", "wash": "wash_id", "room": "room", "profile": "profile"}[kind]
    return max(len(context.days_of(column)), 1)


def _new_bottles(context: Context, plates: np.ndarray) -> np.ndarray:
    """Days on which the subject's plates first ran from another lot than before."""
    code = pd.factorize(context.plates["lot_id"].iloc[plates])[0]
    change = np.flatnonzero((code[1:] != code[:-1]) & (code[1:] >= 0)) + 1
    return np.asarray(context.day[plates][change])


def _settings_moved(context: Context, plates: np.ndarray, low: np.datetime64, high: np.datetime64) -> bool:
    """Whether the median of any setting over up to 20 plates differs before and after the beginning by over 1 %."""
    day = context.day[plates]
    before, after = plates[day < low][-20:], plates[day > high][:20]
    if not len(before) or not len(after):
        return False
    for column in _SETTINGS:
        value = context.plates[column].to_numpy(float)
        then, now = value[before], value[after]
        if np.isfinite(then).any() and np.isfinite(now).any():
            middle = float(np.nanmedian(then))
            if abs(float(np.nanmedian(now)) - middle) > 0.01 * abs(middle):
                return True
    return False


def ages(case: Case) -> tuple[Age, ...]:
    """Wear counters of the subject in the midst of its failures, each as a rank among all ages that this farm has run to."""
    subject = case.evidence.subject
    found = []
    for counter in _COUNTERS.get(subject.type, ()):
        age = _bottle(case) if counter == "bottle" else _plates_since(case, counter)
        if age is not None:
            count, rank = age
            more, than = ("more", rank) if rank >= 0.5 else ("fewer", 1.0 - rank)
            far = f"{more} than at {percent(than)} of this farm's plates"
            words = f"when half of its failures had come there were {count:.0f} {COUNTER_WORDS[counter]}, {far}"
            found.append(Age(counter, rank, words))
    return tuple(found)


def _plates_since(case: Case, counter: str) -> tuple[float, float] | None:
    """Plates since the last change, in the midst of the failures, and its rank; None with under three changes written."""
    context, subject = case.context, case.evidence.subject
    column = {"printer": "printer_id", "wash": "wash_id"}[subject.type]
    service = context.service
    rows = service[
        (service["subject_type"] == subject.type).to_numpy(bool)
        & service["action"].isin(COUNTERS[counter]).to_numpy(bool)
    ]
    if len(rows) < 3:
        return None
    changes = rows.groupby("subject_id")["day"].apply(lambda days: days.to_numpy().astype("datetime64[D]"))
    day = context.day
    lives: list[float] = []
    for name, days in context.days_of(column).items():
        cuts = np.searchsorted(days, changes[name]) if name in changes.index else np.array([], int)
        lives.extend(np.diff(np.concatenate([[0], cuts, [len(days)]])))
    middle = _middle(case)
    mine = day[case.all_plates]
    last = changes[subject.id] if subject.id in changes.index else np.array([], "datetime64[D]")
    last = last[last <= middle]
    start = last[-1] if len(last) else mine.min()
    age = float(((mine >= start) & (mine <= middle)).sum())
    return age, _rank(age, np.array(lives, float))


def _middle(case: Case) -> np.datetime64:
    """The day by which half of its failures had come: a fault that grows is judged where it bites, not where it began."""
    if len(case.failed):
        return np.datetime64(np.sort(case.context.day[case.failed_plates])[len(case.failed) // 2], "D")
    low, high = case.evidence.since_low, case.evidence.since_high
    return np.datetime64(low + (high - low) // 2, "D")


def _bottle(case: Case) -> tuple[float, float] | None:
    """Days since the lot was opened, in the midst of its failures; past its date it ranks with the oldest."""
    lots = case.context.records.lots
    row = lots[(lots["lot_id"] == case.evidence.subject.id).to_numpy(bool)]
    if row.empty or pd.isna(row["opened_on"].iloc[0]):
        return None
    middle = _middle(case)
    opened = row["opened_on"].dt.tz_localize(None).to_numpy().astype("datetime64[D]")[0]
    age = max(float((middle - opened) / _DAY), 0.0)
    plates = case.context.plates
    life = (plates["day"] - plates["opened_on"].dt.tz_localize(None)).dt.days.groupby(plates["lot_id"]).max()
    lives = life.to_numpy(float)
    rank = _rank(age, lives[np.isfinite(lives)])
    expires = row["expires_on"].iloc[0]
    if pd.notna(expires) and middle >= np.datetime64(expires.date(), "D"):
        rank = 1.0
    return age, rank


def _rank(age: float, lives: np.ndarray) -> float:
    """Share of all time under way that was spent at a lesser age: sum of min(age, life) over the sum of lives."""
    lives = lives[lives > 0.0]
    return float(np.minimum(age, lives).sum() / lives.sum()) if len(lives) else 0.5


def subject_of_service(subject: Subject) -> bool:
    """Whether the service table can name this subject."""
    return subject.type in ("printer", "lot", "wash", "room", "profile")
