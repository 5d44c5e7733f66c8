"""Files to typed rows, with a reason for every row that stays outside."""

from farmwatch.collect.door import Progress, collect
from farmwatch.collect.rebuild import rebuild
from farmwatch.collect.sheet_map import MapError, load_map
from farmwatch.collect.summary import CollectSummary, FileReport, Recheck

__all__ = ["CollectSummary", "FileReport", "MapError", "Progress", "Recheck", "collect", "load_map", "rebuild"]
