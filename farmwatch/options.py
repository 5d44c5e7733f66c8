"""What the commands share: their options, days and weeks as arguments, the bar, and how an error ends."""

from __future__ import annotations

import datetime as dt
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING, Any, TypeVar

import click

if TYPE_CHECKING:
    from farmwatch.engines import Engine

Command = TypeVar("Command", bound=Callable[..., Any])


def farm_option(command: Command) -> Command:
    return click.option(
        "--farm",
        "farm_path",
        envvar="FARMWATCH_FARM",
        default=".",
        metavar="DIR",
        help="The farm's folder (default: the current one, or FARMWATCH_FARM).",
    )(command)


def json_option(command: Command) -> Command:
    return click.option("--json", "as_json", is_flag=True, help="Print one JSON document and nothing else.")(command)


def engine_options(command: Command) -> Command:
    command = click.option("--scheduler", metavar="ADDRESS", help="Of the cluster, like tcp://host:8786 (for dask).")(
        command
    )
    return click.option(
        "--engine",
        type=click.Choice(["local", "dask"]),
        help="Where the detectors run: on this machine or a Dask cluster (default: as the settings say).",
    )(command)


def engine_asked(engine: str | None, scheduler: str | None) -> Engine | None:
    """The engine of the options; None where they leave it to the settings."""
    from farmwatch.engines import engine_named

    if scheduler and engine != "dask":
        raise click.UsageError("--scheduler goes with --engine dask")
    if engine == "dask" and not scheduler:
        raise click.UsageError("--engine dask needs --scheduler ADDRESS")
    return engine_named(engine, scheduler or "") if engine else None


class Day(click.ParamType):
    """A calendar day, YYYY-MM-DD."""

    name = "YYYY-MM-DD"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> dt.date:
        if isinstance(value, dt.date):
            return value
        try:
            return dt.date.fromisoformat(value)
        except ValueError:
            self.fail(f"not a day like 2031-04-02: {value!r}", param, ctx)


class WeekName(click.ParamType):
    """An ISO week, YYYY-Www."""

    name = "YYYY-Www"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Any:
        from farmwatch.report.week import Week

        if isinstance(value, Week):
            return value
        try:
            return Week.parse(value)
        except ValueError as error:
            self.fail(str(error), param, ctx)


@contextmanager
def plain_errors() -> Iterator[None]:
    """Errors in the farm's data or settings end with one line and exit code 1; nobody is shown a traceback."""
    try:
        yield
    except (click.ClickException, click.exceptions.Exit, SystemExit, KeyboardInterrupt):
        raise
    except BrokenPipeError:
        sys.stderr.close()
        raise SystemExit(0) from None
    except Exception as error:
        message = " ".join(str(error).split()) or type(error).__name__
        if isinstance(error, OSError) and error.strerror:
            message = f"{error.filename}: {error.strerror}" if error.filename else error.strerror
        elif type(error).__name__ not in (
            "StoreError",
            "SettingsError",
            "CausesError",
            "MapError",
            "QuarantineError",
            "EngineError",
            "CalibrationError",
        ):
            message = f"{type(error).__name__}: {message}"
        raise click.ClickException(message) from None


class Plain(click.Group):
    """A group whose commands end plainly on errors, and are listed in the order in which a farm meets them."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        return list(self.commands)

    def invoke(self, ctx: click.Context) -> Any:
        with plain_errors():
            return super().invoke(ctx)


@contextmanager
def progress_bar(label: str, quiet: bool) -> Iterator[Callable[[int, int, str], None] | None]:
    """A bar on a terminal (on standard error); nothing in a pipe."""
    if quiet or not sys.stderr.isatty():
        yield None
        return
    with click.progressbar(length=1000, label=label, file=sys.stderr, item_show_func=lambda item: item) as bar:

        def tick(done: int, total: int, name: str) -> None:
            bar.update(int(1000 * done / max(total, 1)) - bar.pos, name)

        yield tick
