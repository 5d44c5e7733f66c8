"""The only place that knows files, Parquet and SQL."""

from farmwatch.store.farm import Farm
from farmwatch.store.files import StoreError
from farmwatch.store.findings import last_printer, load_checks, load_findings, load_findings_before, nights, save_night
from farmwatch.store.mirror import Mirrored, mirror
from farmwatch.store.query import BadQuery, query
from farmwatch.store.remote import records_at

__all__ = [
    "BadQuery",
    "Farm",
    "Mirrored",
    "StoreError",
    "last_printer",
    "load_checks",
    "load_findings",
    "load_findings_before",
    "mirror",
    "nights",
    "query",
    "records_at",
    "save_night",
]
