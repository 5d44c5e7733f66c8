"""Values of a measure, one a plate."""

from __future__ import annotations

import numpy as np
import pandas as pd


def measured(column: str, plates: pd.DataFrame) -> np.ndarray:
    """Values of a measure, one a plate; measures that are made from columns are made here. NaN where unknown."""
    if column in plates.columns and pd.api.types.is_numeric_dtype(plates[column]):
        return plates[column].to_numpy(dtype=float)
    lasted = (plates["ended_at"] - plates["started_at"]).dt.total_seconds()
    made = {
        "duration_s": lasted,
        "duration_ratio": lasted / plates["planned_s"],
        "overrun_s": lasted - plates["planned_s"],
    }
    return made[column].to_numpy(dtype=float) if column in made else np.full(len(plates), np.nan)
