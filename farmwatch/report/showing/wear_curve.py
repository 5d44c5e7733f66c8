"""Failures against a counter since service."""

from __future__ import annotations

from farmwatch.evidence import Evidence
from farmwatch.report import words
from farmwatch.report.frames import Frames
from farmwatch.report.pictures import WearCurve
from farmwatch.stats.observed_over_expected import ratio_interval


def wear_curve(evidence: Evidence, frames: Frames) -> WearCurve | None:
    """From the groups of plates along the counter that the finding brings along."""
    groups = [group for group in evidence.detail.get("curve", []) if group["expected"] > 0]
    if not groups:
        return None
    ratios = [ratio_interval(group["failures"], group["expected"], frames.plate_dispersion) for group in groups]
    middle = [(group["from"] + group["to"]) / 2.0 for group in groups]
    code = str(evidence.detail.get("counter", ""))
    name, unit = words.COUNTER_WORDS.get(code, (words.phrase(code), evidence.effect_unit))
    said = "; ".join(
        f"at about {words.number_text(round(at))}: {words.number_text(ratio.value)} times"
        for at, ratio in zip(middle, ratios, strict=True)
    )
    return WearCurve(
        title=f"{words.sentence(evidence.subject.words)}: failures against {name}",
        alt=f"Failures over expected with 95 % intervals against {name}: {said}.",
        counter=name,
        unit=unit,
        at=tuple(middle),
        ratio=tuple(ratio.value for ratio in ratios),
        low=tuple(ratio.low for ratio in ratios),
        high=tuple(ratio.high for ratio in ratios),
        doubles_at=evidence.effect,
        doubles_low=evidence.effect_low,
        doubles_high=evidence.effect_high,
    )
