"""The pictures of the README, drawn from the last weekly report of the sample farm.

    make demo
    python docs/make_pictures.py [FARM]       # default: demo-farm

Writes docs/pictures/NAME.svg and prints what each shows in words. Stops where the farm has no such finding.
"""

from __future__ import annotations

import sys
from pathlib import Path

from farmwatch.report.charts import draw
from farmwatch.report.pictures import CouponGrowth, OverTime, PlateMap
from farmwatch.report.week import Week
from farmwatch.store import Farm, nights
from farmwatch.weekly import contents_of

FOLDER = Path(__file__).parent / "pictures"
# name of the file -> whose finding of the sample farm, and which of its pictures
PICTURES = {
    "plate": ("birch", PlateMap),
    "growth": ("sand-03", CouponGrowth),
    "over_time": ("wash-2", OverTime),
}


def main(folder: str = "demo-farm") -> None:
    farm = Farm.open(folder)
    contents = contents_of(farm, Week.of(nights(farm)[-1]))
    FOLDER.mkdir(exist_ok=True)
    for name, (subject, kind) in PICTURES.items():
        shown = [p for part in contents.findings if part.subject_id == subject for p in part.pictures]
        picture = next((picture for picture in shown if isinstance(picture, kind)), None)
        if picture is None:
            sys.exit(f"{name}: the report shows no {kind.__name__} of {subject}")
        path = FOLDER / f"{name}.svg"
        path.write_text(draw(picture), encoding="utf-8")
        print(f"{path} ({path.stat().st_size // 1024} KiB): {picture.title}\n    {picture.alt}")


if __name__ == "__main__":
    main(*sys.argv[1:])
