"""From a finding and the night's frames to the contents of the pictures that show it, one module a picture."""

from __future__ import annotations

import datetime as dt

from farmwatch.evidence import Evidence
from farmwatch.report.frames import Frames
from farmwatch.report.pictures import Picture
from farmwatch.report.showing.attribution import attribution
from farmwatch.report.showing.comparison import comparison
from farmwatch.report.showing.coupon_growth import coupon_growth
from farmwatch.report.showing.height_curve import height_curve
from farmwatch.report.showing.odd_run import odd_run
from farmwatch.report.showing.over_time import over_time
from farmwatch.report.showing.plate_map import plate_map
from farmwatch.report.showing.signal import signal_over_time
from farmwatch.report.showing.wear_curve import wear_curve
from farmwatch.report.showing.working_curve import working_curve

__all__ = ["pictures_of"]


def pictures_of(evidence: Evidence, frames: Frames, until: dt.date) -> tuple[Picture, ...]:
    """The pictures that show one finding, the telling one first. Empty records give no picture."""
    kind = evidence.kind
    shown: list[Picture | None]
    if kind == "plate_pattern":
        shown = [plate_map(evidence, frames, until), over_time(evidence, frames, until)]
    elif kind == "height_pattern":
        shown = [height_curve(evidence, frames, until), over_time(evidence, frames, until)]
    elif kind == "cure_offset":
        shown = [coupon_growth(evidence, frames, until), working_curve(evidence, frames)]
    elif kind == "signal_shift":
        shown = [signal_over_time(evidence, frames, until)]
    elif kind == "wear":
        shown = [wear_curve(evidence, frames), over_time(evidence, frames, until)]
    elif kind == "odd_run":
        shown = [odd_run(evidence, frames)]
    else:
        shown = [over_time(evidence, frames, until), attribution(evidence, frames), comparison(evidence, frames)]
    return tuple(picture for picture in shown if picture is not None)
