"""When the jobs run: what is due by the ledger, who runs it, what came of it. Only :mod:`.stay` knows APScheduler."""

from farmwatch.schedule.run import Outcome, run_due
from farmwatch.schedule.status import status_document, status_text
from farmwatch.schedule.stay import stay_up

__all__ = ["Outcome", "run_due", "status_document", "status_text", "stay_up"]
