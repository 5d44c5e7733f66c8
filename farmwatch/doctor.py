"""Look a farm's folder over whole: its table of causes, files, keys, findings, jobs, and the records against the kept
deliveries."""

from __future__ import annotations

from farmwatch.causes.table import CausesError
from farmwatch.collect.audit import examine_deliveries
from farmwatch.nightly import causes_of_farm
from farmwatch.store import Farm
from farmwatch.store.doctor import Trouble, examine_rest, examine_tables

WAIT_S = 60.0


def examine(farm: Farm, against_deliveries: bool = True) -> list[Trouble]:
    """Everything that is wrong with the farm's folder; changes nothing in it.

    Waits for a writer to finish. With ``against_deliveries`` every kept delivery is read again and what follows from
    them all is held against the records, row by row; without, only their checksums are. Raises ``StoreError`` where
    another process goes on writing.
    """
    with farm.writer(WAIT_S):
        tables = examine_tables(farm)
        # records that cannot be read cannot be compared
        rest = [*examine_rest(farm), *examine_deliveries(farm, against_deliveries and not tables)]
        return [*_own_causes(farm), *tables, *rest]


def _own_causes(farm: Farm) -> list[Trouble]:
    """The farm's own table of causes, where it has one: no night runs with one that does not hold."""
    try:
        causes_of_farm(farm)
    except CausesError as error:
        path = str(farm.path / "causes.toml")
        what = str(error).removeprefix(f"{path}: ")
        return [Trouble(path, what, "mend it, or move it away: without it the shipped table stands")]
    return []


def trouble_text(troubles: list[Trouble]) -> str:
    """For a terminal: a line on each trouble, and one on what to do about all that one deed mends."""
    from farmwatch.report.text import printable

    if not troubles:
        return "sound"
    together: dict[str, list[str]] = {}
    for trouble in troubles:
        together.setdefault(trouble.do, []).append(f"{trouble.where}: {trouble.what}")
    lines = [line for do, found in together.items() for line in (*found, f"    to do: {do}")]
    return "\n".join(printable(line) for line in lines)
