"""The few weeks of one subject, small enough for a table."""

from __future__ import annotations

from farmwatch.report.subjects import Trend


def trend_svg(trend: Trend) -> str:
    """A small picture of a few weeks for a table cell: bars of failures, a tick across each for the expected."""
    size = len(trend.failed)
    peak = max(*trend.failed, *trend.expected, 1.0)
    height, step = 24.0, 7.0
    shapes = []
    for i, (failed, expected) in enumerate(zip(trend.failed, trend.expected, strict=True)):
        tall = height * failed / peak
        shapes.append(
            f'<rect class="bar" x="{i * step + 1:g}" y="{height - tall + 1:.1f}" width="{step - 2:g}" height="{tall:.1f}"/>'
        )
        if expected > 0:
            level = height - height * expected / peak + 1
            shapes.append(f'<path class="tick" d="M{i * step:g} {level:.1f}h{step:g}"/>')
    return (
        f'<svg class="trend" viewBox="0 0 {size * step:g} {height + 2:g}" width="{size * step:g}" '
        f'height="{height + 2:g}" aria-hidden="true" focusable="false">{"".join(shapes)}</svg>'
    )
