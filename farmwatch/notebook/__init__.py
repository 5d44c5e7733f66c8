"""The same contents in a notebook."""

from farmwatch.notebook.farm import NotebookFarm, open_farm
from farmwatch.notebook.shown import FindingList, FindingView, Pictures, WeeklyReport

__all__ = ["FindingList", "FindingView", "NotebookFarm", "Pictures", "WeeklyReport", "open_farm"]
