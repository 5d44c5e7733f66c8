"""The settings: every limit with its unit and its reason in ``config/settings.toml``, a farm's own in ``farm.toml``.

Defaults live in the shipped file and nowhere else. A farm overrides single values; an unknown key or a value that does
not fit is refused with the file, the key and the reason.
"""

from __future__ import annotations

import re
import tomllib
from functools import cache
from pathlib import Path
from typing import Annotated, Any, Literal
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from pydantic import AfterValidator, BaseModel, ConfigDict, Field, ValidationError, field_validator

Share = Annotated[float, Field(ge=0.0, le=1.0)]
Positive = Annotated[float, Field(gt=0.0)]
Count = Annotated[int, Field(ge=1)]


def _clock_time(value: str) -> str:
    if not re.fullmatch(r"([01]\d|2[0-3]):[0-5]\d", value):
        raise ValueError(f"no time of day like 04:30: {value!r}")
    return value


def _web_address(value: str) -> str:
    if not re.fullmatch(r"(https?://\S+)?", value):
        raise ValueError("no address like https://hooks.example.org/farm")  # not shown: it may hold a token
    return value


ClockTime = Annotated[str, AfterValidator(_clock_time)]
WebAddress = Annotated[str, AfterValidator(_web_address)]


class SettingsError(Exception):
    """A settings file that cannot be used; the message names file, key and reason in one line."""


class Section(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)


class SharedSection(Section):
    """A section whose budget is dealt out over types of subject, each with a ``share_TYPE``."""

    def share_of(self, subject_type: str) -> float:
        return float(getattr(self, f"share_{subject_type}"))


class FarmSection(Section):
    name: str
    timezone: str

    @field_validator("timezone")
    @classmethod
    def _zone_exists(cls, value: str) -> str:
        try:
            ZoneInfo(value)
        except (ZoneInfoNotFoundError, ValueError, OSError):
            raise ValueError(f"no time zone of that name: {value!r}") from None
        return value


class AlarmBudgetSection(Section):
    """False findings a quiet farm may expect, and how detectors share them."""

    false_findings_per_month: Positive
    calibration: Positive
    share_rates: Share
    share_plate_pattern: Share
    share_height_pattern: Share
    share_cure_offset: Share
    share_signal_shift: Share
    share_wear: Share
    share_odd_run: Share

    @property
    def of_outcomes(self) -> float:
        """Findings a month for which the limits of what judges outcomes are set, before it is shared."""
        return self.false_findings_per_month * self.calibration


class RatesSection(SharedSection):
    """How failure rates are watched."""

    share_printer: Share
    share_lot: Share
    share_design: Share
    share_file: Share
    share_profile: Share
    share_wash: Share
    share_operator: Share
    share_room: Share
    share_family: Share
    share_farm: Share
    share_down: Share
    share_signs: Share
    failures_at_least: Count
    screen: Positive
    keep_within: Positive
    findings_at_most: Count


class PlatePatternSection(SharedSection):
    """How places on the plate are watched."""

    share_printer: Share
    share_family: Share
    share_profile: Share
    share_lot: Share
    share_room: Share
    share_farm: Share
    share_signs: Share
    window_days: Count
    plates_at_least: Count
    sign_plates_at_least: Count
    odds_ratio_at_least: Positive
    reference_plates: Positive
    keep_within: Positive
    findings_at_most: Count
    relabellings: Count


class CausesSection(Section):
    """How the table of causes is weighed against what was seen."""

    table_doubt: Share
    table_weight: Positive
    unknown_weight: Positive
    evidence_weight: Share
    pair_factor: Share
    event_window_days: Count
    low_body_mm: Positive
    one_height_mm: Positive
    plates_at_least: Count
    answer_z: Positive
    answer_ratio: Positive
    place_z: Positive
    show_at_least: Share
    checks_at_most: Count


class RepairsSection(Section):
    """When a mend is said to have held, or not."""

    false_returned: Share
    false_cleared: Share
    prior_sd: Positive
    smallest_odds_ratio: Positive
    mend_at_least: Share


class OddRunSection(Section):
    """When a run is called unlike its like."""

    habit_runs_at_least: Count
    habit_runs_at_most: Count
    habit_share: Share
    material_departure: Share
    course_runs: Count
    course_runs_at_least: Count
    course_share: Share
    model_days: Count
    model_runs_at_least: Count
    model_runs_at_most: Count
    forest_level: Share


class CureOffsetSection(SharedSection):
    """How measured pieces are judged."""

    share_lot: Share
    share_printer: Share
    share_profile: Share
    share_farm: Share
    gross_error_mm: Positive
    session_share: Share
    session_sd_mm: Positive
    session_sd_sessions: Positive
    session_botched: Share
    pieces_at_least: Count
    matters_mm: Positive
    target_tolerance_mm: Positive
    look_back_days: Count
    keep_within: Positive
    findings_at_most: Count


class WearSection(Section):
    """How risk against the counters since service is judged."""

    failures_at_least: Count
    cycles_look_back_days: Count
    screen_z: Positive
    beats_step_by: Positive
    cycles_at_least: Count
    risk_at_most: Positive
    keep_within: Positive
    findings_at_most: Count


class CollectSection(Section):
    """How much one delivered file may hold."""

    max_file_mib: Count
    max_file_rows: Count


class SignalShiftSection(Section):
    """How measures are watched."""

    window_days: Count
    baseline_days: Count
    pads_matter_mm: Positive


class HeightPatternSection(SharedSection):
    """How heights of failure are watched."""

    share_printer: Share
    share_design: Share
    share_file: Share
    share_profile: Share
    share_lot: Share
    share_family: Share
    share_room: Share
    window_days: Count
    plates_at_least: Count
    reference_plates: Positive
    band_sd: Positive
    habit_plates: Positive
    odds_ratio_at_least: Positive
    rate_at_least: Share
    rate_prior_parts: Positive
    design_share_at_most: Share
    keep_within: Positive
    findings_at_most: Count


class ScheduleSection(Section):
    """When the jobs run, how often they are tried, whom they tell. Passwords never stand here."""

    nightly_at: ClockTime
    weekly_at: ClockTime
    catch_up_all: bool
    retries: Annotated[int, Field(ge=0)]
    retry_minutes: Annotated[int, Field(ge=0)]
    silent_after_days: Positive
    habit_runs: Count
    mail_to: tuple[str, ...]
    mail_from: str
    mail_host: str
    mail_port: Annotated[int, Field(ge=1, le=65535)]
    mail_security: Literal["starttls", "tls", "none"]
    mail_user: str
    webhook_url: WebAddress
    timeout_s: Positive


class EngineSection(Section):
    """Where the detectors of a night run, unless the command says otherwise ([scale.md](scale.md))."""

    name: Literal["local", "dask"]
    scheduler: str


class Settings(Section):
    farm: FarmSection
    collect: CollectSection
    schedule: ScheduleSection
    engine: EngineSection
    alarm_budget: AlarmBudgetSection
    rates: RatesSection
    odd_run: OddRunSection
    signal_shift: SignalShiftSection
    plate_pattern: PlatePatternSection
    height_pattern: HeightPatternSection
    causes: CausesSection
    repairs: RepairsSection
    cure_offset: CureOffsetSection
    wear: WearSection


def shipped(name: str) -> Path:
    """The path of a shipped file under ``config/``: packed in an installed farmwatch, beside it in a source tree."""
    packed = Path(__file__).parent / "config" / name
    return packed if packed.exists() else Path(__file__).parent.parent / "config" / name


def shipped_samples() -> Path:
    """The folder of the invented sample farm."""
    packed = Path(__file__).parent / "data_samples"
    return packed if packed.exists() else Path(__file__).parent.parent / "data_samples"


@cache
def _defaults() -> dict[str, dict[str, Any]]:
    table = tomllib.loads(shipped("settings.toml").read_text(encoding="utf-8"))
    return {section: {key: entry["value"] for key, entry in keys.items()} for section, keys in table.items()}


def load_settings(farm_toml: Path | None = None) -> Settings:
    """The shipped settings with those of ``farm_toml`` over them. Raises :class:`SettingsError`."""
    merged = {section: dict(keys) for section, keys in _defaults().items()}
    if farm_toml is not None:
        for section, keys in read_toml(farm_toml, SettingsError).items():
            if not isinstance(keys, dict):
                raise SettingsError(f"{farm_toml}: {section}: settings stand in sections, like [farm]")
            merged.setdefault(section, {}).update(keys)
    try:
        return Settings.model_validate(merged)
    except ValidationError as error:
        key = ".".join(str(part) for part in error.errors()[0]["loc"])
        raise SettingsError(f"{farm_toml or shipped('settings.toml')}: {key}: {first_reason(error)}") from None


def first_reason(error: ValidationError) -> str:
    """Why the first key that does not fit was refused, in plain words: of any file that people write."""
    first = error.errors()[0]
    plain = {"extra_forbidden": "unknown key", "missing": "is missing"}
    return plain.get(first["type"], first["msg"].removeprefix("Value error, "))


def read_toml(path: Path, refused: type[Exception]) -> dict[str, Any]:
    """What stands in a TOML file; where it cannot be read ``refused`` is raised, with the file and the reason."""
    try:
        return tomllib.loads(path.read_text(encoding="utf-8"))
    except OSError as error:
        raise refused(f"{path}: cannot be read: {error.strerror}") from None
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise refused(f"{path}: not TOML: {error}") from None
