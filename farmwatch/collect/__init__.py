"""Files to typed rows, with a reason for every row that stays outside."""

from farmwatch.collect.door import Progress, collect
from farmwatch.collect.rebuild import rebuild
from farmwatch.collect.summary import CollectSummary, FileReport, Recheck

__all__ = ["CollectSummary", "FileReport", "Progress", "Recheck", "collect", "rebuild"]
