"""The commands: parse, call, print. What takes long to import is imported where a command needs it."""

from __future__ import annotations

import datetime as dt
import json
import os
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from farmwatch.options import Day, Plain, WeekName, engine_asked, engine_options, farm_option, json_option, progress_bar

if TYPE_CHECKING:
    from farmwatch.store import Farm

TROUBLE = 3  # exit of a collect that left something outside


@click.group(cls=Plain, context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100})
@click.version_option(package_name="farmwatch", message="%(prog)s %(version)s")
def main() -> None:
    """Watch a farm of resin printers: which failure rate moved, where on the plate, how high, since when, and why.

    Start with `farmwatch demo`, or with `farmwatch init DIR` and `farmwatch collect` for a farm of your own.
    """
    # before NumPy is imported: matrices of this size are slower on several threads, and sums differ in the last digit
    os.environ.setdefault("OMP_NUM_THREADS", "1")


def open_farm(path: str) -> Farm:
    from farmwatch.store import Farm

    return Farm.open(path)


def today(farm: Farm) -> dt.date:
    from zoneinfo import ZoneInfo

    return dt.datetime.now(ZoneInfo(farm.timezone)).date()


def print_json(document: Any) -> None:
    click.echo(json.dumps(document, ensure_ascii=False, indent=2, allow_nan=False))


@main.command()
@click.argument("directory", metavar="DIR")
@click.option(
    "--timezone", default="UTC", show_default=True, metavar="ZONE", help="The farm's zone, such as Europe/Paris."
)
def init(directory: str, timezone: str) -> None:
    """Make a farm's folder at DIR."""
    from farmwatch.store import Farm

    farm = Farm.create(directory, timezone)
    click.echo(
        f"{farm.path}: a farm in {timezone}. Put files into {farm.inbox} and run: farmwatch collect --farm {directory}"
    )


@main.command(short_help="Take the inbox, or the files named, into the records.")
@click.argument("paths", nargs=-1, metavar="[PATH]...", type=click.Path(path_type=Path))
@farm_option
@click.option(
    "--map",
    "map_path",
    type=click.Path(path_type=Path),
    metavar="MAP.toml",
    help="The files named are spreadsheets of your own; this maps their columns to those of the tables.",
)
@json_option
def collect(paths: tuple[Path, ...], farm_path: str, as_json: bool, map_path: Path | None) -> None:
    """Take the inbox, or the files and folders named, into the records.

    Exits 3 if anything was quarantined or could not be read.
    """
    from farmwatch.collect import collect as take
    from farmwatch.collect import load_map
    from farmwatch.report.collected import summary_text

    if map_path is not None and not paths:
        raise click.UsageError("--map needs the files that it is for")
    farm = open_farm(farm_path)
    sheet_map = None if map_path is None else load_map(map_path)
    with progress_bar("taking", quiet=as_json) as bar:
        summary = take(farm, paths or None, bar, sheet_map)
    if as_json:
        print_json(summary.to_dict())
    else:
        click.echo(summary_text(summary, farm.quarantine))
    if summary.trouble:
        raise SystemExit(TROUBLE)


@main.command(short_help="Analyse a night; file and update findings.")
@farm_option
@click.option("--as-of", type=Day(), help="The night to analyse (default: today on the farm's clock).")
@engine_options
@json_option
def nightly(farm_path: str, as_of: dt.date | None, engine: str | None, scheduler: str | None, as_json: bool) -> None:
    """Analyse all that was known at the end of a day; file and update findings."""
    from farmwatch.nightly import nightly as run
    from farmwatch.report.text import findings_table, to_json

    asked = engine_asked(engine, scheduler)
    farm = open_farm(farm_path)
    night = as_of or today(farm)
    result = run(farm, night, asked)
    failed = [check for check in result.checks if check.state == "failed"]
    if as_json:
        print_json(to_json(result.findings))
    else:
        live = [finding for finding in result.findings if finding.status in ("open", "watching", "returned")]
        new = sum(finding.first_flagged_on == night for finding in live)
        click.echo(f"Night of {night}: {len(live)} findings in force, {new} of them new.")
        if live:
            click.echo(findings_table(live))
        elif not any(check.state in ("clear", "flagged") for check in result.checks):
            click.echo("Nothing was looked at: too little is recorded by then.")
    for check in failed:
        click.echo(f"not checked: {check.detector}: {check.reason}", err=True)
    if failed:
        raise SystemExit(1)


@main.command()
@farm_option
@json_option
@click.option(
    "--status",
    type=click.Choice(["open", "watching", "cleared", "returned", "faded"]),
    help="Only findings of this state.",
)
@click.option("--as-of", type=Day(), help="As they stood after this night (default: the last one).")
def findings(farm_path: str, as_json: bool, status: str | None, as_of: dt.date | None) -> None:
    """List the findings."""
    from farmwatch.report.text import findings_table, to_json
    from farmwatch.store import load_findings, nights

    farm = open_farm(farm_path)
    listed = [f for f in load_findings(farm, as_of) if status is None or f.status == status]
    if as_json:
        print_json(to_json(listed))
    elif not nights(farm):
        click.echo("No night has been analysed yet: farmwatch nightly does that.")
    else:
        click.echo(findings_table(listed))


@main.command(short_help="Tell one finding's story: evidence, causes, next checks.")
@click.argument("finding_id")
@farm_option
@click.option("--plates", is_flag=True, help="After every sentence, the plates on which it rests.")
def explain(finding_id: str, farm_path: str, plates: bool) -> None:
    """Tell the story of one finding: evidence, ranked causes, next checks."""
    from farmwatch.causes.explain import as_text
    from farmwatch.one_finding import story_of
    from farmwatch.report.text import printable

    told = as_text(story_of(open_farm(farm_path), finding_id), plates)
    click.echo("\n".join(printable(line) for line in told.splitlines()))


@main.command(short_help="Enter what a check on a finding showed.")
@click.argument("finding_id")
@click.argument("check")
@click.argument("result")
@farm_option
@click.option(
    "--printer",
    "printer_id",
    metavar="PRINTER",
    help="Where it was done, for a finding about what the service table cannot name, such as a design "
    "(default: the printer of its last plate).",
)
def check(finding_id: str, check: str, result: str, farm_path: str, printer_id: str | None) -> None:
    """Enter the RESULT of a CHECK on a finding; the causes are weighed anew the next night.

    `farmwatch explain FINDING_ID` names the checks and their possible results.
    """
    from farmwatch.one_finding import enter_check
    from farmwatch.report.collected import file_words

    summary = enter_check(open_farm(farm_path), finding_id, check, result, printer_id)
    if summary.trouble:
        raise click.ClickException(file_words(summary.files[0]))
    click.echo(f"{finding_id}: {check} {result} entered; the next nightly weighs it.")


@main.command(short_help="Write the drift report of a week, print its path.")
@farm_option
@click.option(
    "--week", type=WeekName(), metavar="YYYY-Www", help="The ISO week (default: the week of today on the farm's clock)."
)
def weekly(farm_path: str, week: Any) -> None:
    """Write the drift report of a week to reports/ and print its path."""
    from farmwatch.report.week import Week
    from farmwatch.weekly import weekly as write

    farm = open_farm(farm_path)
    click.echo(write(farm, week or Week.of(today(farm))))


@main.command(short_help="Walk past nights, each with what was known by then.")
@farm_option
@click.option("--from", "first", type=Day(), required=True, help="The first night.")
@click.option("--to", "last", type=Day(), required=True, help="The last night.")
@click.option(
    "--records", "records_uri", metavar="URI", help="Of a copy of records/ elsewhere, like s3://bucket/records."
)
@engine_options
@json_option
def replay(
    farm_path: str,
    first: dt.date,
    last: dt.date,
    records_uri: str | None,
    engine: str | None,
    scheduler: str | None,
    as_json: bool,
) -> None:
    """Walk every night of a span, each with only what had ended by then; writes nothing."""
    from farmwatch.nightly import causes_of_farm, history_of
    from farmwatch.replay import replay as walk
    from farmwatch.report.text import findings_table, to_json
    from farmwatch.store import records_at

    if last < first:
        raise click.UsageError("--to lies before --from")
    asked = engine_asked(engine, scheduler)
    farm = open_farm(farm_path)
    records = records_at(records_uri, farm.timezone) if records_uri else history_of(farm)
    nights = (last - first).days + 1
    with progress_bar("nights", quiet=False) as bar:
        tick = (lambda night: bar((night - first).days + 1, nights, str(night))) if bar is not None else None
        walked = walk(records, first, last, farm.settings, causes_of_farm(farm), tick, asked)
    if as_json:
        print_json(to_json(walked.findings, walked.first))
    else:
        click.echo(findings_table(walked.findings))
    failed = {f"{check.detector}: {check.reason}" for check in walked.failed}
    for line in sorted(failed):
        click.echo(f"not checked on some nights: {line}", err=True)


@main.command(short_help="Count false findings on the farm's own plates.")
@farm_option
@click.option(
    "--draws", type=click.IntRange(1, 1000), default=5, metavar="N", help="How often to draw outcomes (default: 5)."
)
@click.option(
    "--seed", type=click.IntRange(0), default=1, metavar="N", help="The same seed draws the same (default: 1)."
)
@json_option
def calibrate(farm_path: str, draws: int, seed: int, as_json: bool) -> None:
    """Count false findings on the farm's own plates, outcomes drawn anew as if nothing were wrong.

    Walks every night of the records once a draw, which takes minutes to hours; writes nothing. Says which `calibration`
    under `[alarm_budget]` of farm.toml keeps the budget.
    """
    from farmwatch.calibrate import as_json as document
    from farmwatch.calibrate import as_text
    from farmwatch.calibrate import calibrate as rehearse
    from farmwatch.nightly import causes_of_farm, history_of
    from farmwatch.store import load_findings

    farm = open_farm(farm_path)
    with progress_bar("draws", quiet=as_json) as bar:
        tried = rehearse(history_of(farm), farm.settings, causes_of_farm(farm), load_findings(farm), draws, seed, bar)
    if as_json:
        print_json(document(tried))
    else:
        click.echo(as_text(tried))


@main.command(short_help="Answer SQL over records and findings, read-only.")
@click.argument("sql")
@farm_option
@click.option("--csv", "as_csv", is_flag=True, help="Print CSV; cells that a spreadsheet would run are neutralised.")
@json_option
def query(sql: str, farm_path: str, as_csv: bool, as_json: bool) -> None:
    """Answer one SQL SELECT over the tables and findings; read-only. Exits 2 on bad SQL."""
    from farmwatch.report.answers import as_csv_text, as_json_rows, as_table_text
    from farmwatch.store import BadQuery
    from farmwatch.store import query as ask

    if as_csv and as_json:
        raise click.UsageError("--csv or --json, not both")
    try:
        answer = ask(open_farm(farm_path), sql)
    except BadQuery as error:
        raise click.UsageError(str(error)) from None
    if as_json:
        print_json(as_json_rows(answer))
    else:
        click.echo(as_csv_text(answer) if as_csv else as_table_text(answer), nl=not as_csv)


@main.command(short_help="Keep a copy of the records elsewhere up to date.")
@click.argument("uri")
@farm_option
def mirror(uri: str, farm_path: str) -> None:
    """Bring the copy of the records at URI (s3://bucket/records, gs://..., hdfs://..., file:///...) up to date.

    Only what changed is sent. `farmwatch replay --records URI` reads it, on any machine.
    """
    from farmwatch.store import mirror as bring_up

    farm = open_farm(farm_path)
    with progress_bar("sending", quiet=False) as bar:
        mirrored = bring_up(farm, uri, bar)
    click.echo(f"{mirrored.sent} files sent, {mirrored.unchanged} unchanged, {mirrored.removed} removed")


@main.command()
@farm_option
def rebuild(farm_path: str) -> None:
    """Make the records anew from the kept deliveries alone."""
    from farmwatch.collect import rebuild as make_anew
    from farmwatch.report.collected import total_words

    farm = open_farm(farm_path)
    with progress_bar("rebuilding", quiet=False) as bar:
        summary = make_anew(farm, bar)
    click.echo(total_words(summary) if summary.files else "no deliveries are kept: nothing to rebuild")


@main.command(short_help="Stay up and run the jobs on the farm's clock.")
@farm_option
def schedule(farm_path: str) -> None:
    """Stay up: nightly and weekly jobs on the farm's clock, missed ones caught up."""
    from farmwatch.schedule import stay_up

    stay_up(open_farm(farm_path))


@main.command()
@farm_option
def due(farm_path: str) -> None:
    """Run what is due and end: for cron and timers."""
    from farmwatch.schedule import run_due

    outcome = run_due(open_farm(farm_path))
    for line in outcome.lines:
        click.echo(line, err=line.startswith("failed"))
    if outcome.failed:
        raise SystemExit(1)


@main.command(short_help="Show last jobs, failures, what is due, how fresh records are.")
@farm_option
@json_option
def status(farm_path: str, as_json: bool) -> None:
    """Show the last jobs, what failed and why, what is due, and how fresh each printer's records are."""
    from farmwatch.schedule import status_document, status_text

    document = status_document(open_farm(farm_path))
    if as_json:
        print_json(document)
    else:
        click.echo(status_text(document))


@main.command(short_help="Serve a page for entry at the machine.")
@farm_option
@click.option("--host", default="127.0.0.1", metavar="ADDRESS", help="The address to answer on (default: 127.0.0.1).")
@click.option(
    "--port",
    type=click.IntRange(0, 65535),
    default=8420,
    metavar="N",
    help="The port (default: 8420; 0: any free one).",
)
def desk(farm_path: str, host: str, port: int) -> None:
    """Serve a page for entry at the machine: runs, service, measured pieces, results of checks. Ctrl-C ends it.

    On any address but this machine's own it asks for a token: FARMWATCH_DESK_TOKEN, or one that it makes up and prints.
    """
    from farmwatch.desk import open_desk

    opened = open_desk(open_farm(farm_path), host, port, os.environ.get("FARMWATCH_DESK_TOKEN") or None)
    click.echo(opened.line)
    opened.serve()


@main.command(short_help="Look the farm's folder over; say what to do.")
@farm_option
@click.option("--quick", is_flag=True, help="Leave out the comparison of the records with the deliveries, row by row.")
@json_option
def doctor(farm_path: str, quick: bool, as_json: bool) -> None:
    """Look the farm's folder over whole and say what to do about what is wrong. Exits 1 unless all is sound."""
    from dataclasses import asdict

    from farmwatch.doctor import examine, trouble_text

    troubles = examine(open_farm(farm_path), not quick)
    if as_json:
        print_json([asdict(trouble) for trouble in troubles])
    else:
        click.echo(trouble_text(troubles))
    if troubles:
        raise SystemExit(1)


@main.command(short_help="Make up a farm with planted faults.")
@click.argument("directory", metavar="DIR")
@click.option(
    "--printers", type=click.IntRange(1, 100_000), default=24, metavar="N", help="How many printers (default: 24)."
)
@click.option("--days", type=click.IntRange(1, 3660), default=180, metavar="N", help="How many days (default: 180).")
@click.option(
    "--seed", type=click.IntRange(0), default=1, metavar="N", help="The same seed makes the same farm (default: 1)."
)
@click.option(
    "--faults",
    type=click.IntRange(0, 25),
    default=6,
    metavar="N",
    help="How many faults to plant, at most 25 (default: 6).",
)
def simulate(directory: str, printers: int, days: int, seed: int, faults: int) -> None:
    """Make up a farm with planted faults: files of the contract in DIR, and truth.json with what was planted."""
    from farmwatch.simulate.scenarios import simulate_to

    for path in simulate_to(directory, printers, days, seed, faults):
        click.echo(path)


@main.command(short_help="Run the whole job on the invented sample farm.")
@click.argument("directory", metavar="[DIR]", default="demo-farm")
def demo(directory: str) -> None:
    """Make a farm at DIR (default demo-farm) from the invented sample data and run the whole job on it."""
    from farmwatch.demo import demo as run

    run(Path(directory), click.echo)


if __name__ == "__main__":
    main()
