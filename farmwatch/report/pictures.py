"""What each picture shows, as numbers: typed contents that charts draw and that alternative texts describe."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass
from typing import Literal


@dataclass(frozen=True)
class Mark:
    """Something that happened on a day: a service, in words."""

    day: dt.date
    text: str


@dataclass(frozen=True)
class Onset:
    """When a finding began, with its interval."""

    day: dt.date
    low: dt.date
    high: dt.date


@dataclass(frozen=True)
class OverTime:
    """Failures and expected failures per span of ``span_days`` days, from each of ``starts`` on."""

    title: str
    alt: str
    unit: str
    span_days: int
    starts: tuple[dt.date, ...]
    failed: tuple[float, ...]
    expected: tuple[float, ...]
    onset: Onset | None
    services: tuple[Mark, ...] = ()


@dataclass(frozen=True)
class Zone:
    """A region of the plate in mm. ``shape``: ``disc`` inside or ``ring`` outside of ``radius_mm`` around a point,
    ``box`` inside or ``frame`` outside of a rectangle.
    """

    shape: Literal["disc", "ring", "box", "frame"]
    x_mm: float = 0.0
    y_mm: float = 0.0
    radius_mm: float = 0.0
    left_mm: float = 0.0
    right_mm: float = 0.0
    front_mm: float = 0.0
    back_mm: float = 0.0


@dataclass(frozen=True)
class PlateMap:
    """The plate from above. ``ratio[j][i]`` is observed over expected in the cell between ``x_edges[i]`` and the next,
    ``y_edges[j]`` and the next; NaN where too little was printed to say. Failed parts as points.
    """

    title: str
    alt: str
    x_edges: tuple[float, ...]
    y_edges: tuple[float, ...]
    ratio: tuple[tuple[float, ...], ...]
    failed_x: tuple[float, ...]
    failed_y: tuple[float, ...]
    zone: Zone | None


@dataclass(frozen=True)
class HeightCurve:
    """Failures per 1,000 parts that reach each height slice, the subject against the rest of the farm.

    ``edges_mm`` has one entry more than the rates; NaN where no part is tall enough.
    """

    title: str
    alt: str
    edges_mm: tuple[float, ...]
    subject_rate: tuple[float, ...]
    others_rate: tuple[float, ...]
    from_mm: float
    to_mm: float
    subject: str


@dataclass(frozen=True)
class ComparisonRow:
    """One subject among its peers: failures over expected with a 95 % interval. ``role``: subject, rival or peer."""

    name: str
    ratio: float
    low: float
    high: float
    role: str
    chances: int


@dataclass(frozen=True)
class Comparison:
    title: str
    alt: str
    unit: str
    rows: tuple[ComparisonRow, ...]


@dataclass(frozen=True)
class ApartRow:
    """The subject and another one that shares its plates, each on plates without the other.

    Failures over expected with 95 % intervals, (value, low, high). ``role``: rival, or other.
    """

    name: str
    role: str
    subject_without: tuple[float, float, float]
    without_subject: tuple[float, float, float]
    plates_together: int
    subject_plates: int
    other_plates: int


@dataclass(frozen=True)
class Attribution:
    """Does the trouble follow the subject, or somebody that worked with it? NaN where they were never apart."""

    title: str
    alt: str
    unit: str
    subject: str
    rows: tuple[ApartRow, ...]


@dataclass(frozen=True)
class CouponGrowth:
    """Growth of an edge on each measured piece, mm: the subject's pieces and the farm's others."""

    title: str
    alt: str
    subject: str
    days: tuple[dt.date, ...]
    growth_mm: tuple[float, ...]
    other_days: tuple[dt.date, ...]
    other_growth_mm: tuple[float, ...]
    onset: Onset | None
    effect: tuple[float, float, float]


@dataclass(frozen=True)
class WorkingCurve:
    """Thickness of resin cured by one exposure, mm, against the exposure, s; the fitted curve; exposure now and advised,
    the latter with its 95 % interval.

    The curve is depth = ``dp_mm`` ln(exposure / ``ec_s``). NaN where an exposure is not known.
    """

    title: str
    alt: str
    exposure_s: tuple[float, ...]
    depth_mm: tuple[float, ...]
    dp_mm: float
    ec_s: float
    now_s: float
    advised_s: float
    advised_low_s: float
    advised_high_s: float


@dataclass(frozen=True)
class SignalOverTime:
    """One measure, one point a run, with the usual level before, the level since the onset, and the level that was
    expected of the work done since (NaN: not known).
    """

    title: str
    alt: str
    measure: str
    unit: str
    days: tuple[dt.date, ...]
    values: tuple[float, ...]
    before: float
    after: float
    expected: float
    onset: Onset | None
    services: tuple[Mark, ...] = ()


@dataclass(frozen=True)
class WearCurve:
    """Failures over expected against a counter since service, in slices of about equal numbers of plates."""

    title: str
    alt: str
    counter: str
    unit: str
    at: tuple[float, ...]
    ratio: tuple[float, ...]
    low: tuple[float, ...]
    high: tuple[float, ...]
    doubles_at: float
    doubles_low: float
    doubles_high: float


@dataclass(frozen=True)
class Habit:
    """One measure of an odd run beside the middle and the middle 90 % of runs like it."""

    name: str
    unit: str
    value: float
    low: float
    middle: float
    high: float


@dataclass(frozen=True)
class OddRun:
    title: str
    alt: str
    run: str
    rows: tuple[Habit, ...]


Picture = (
    OverTime
    | PlateMap
    | HeightCurve
    | Comparison
    | Attribution
    | CouponGrowth
    | WorkingCurve
    | SignalOverTime
    | WearCurve
    | OddRun
)
