"""Pages of printers and runs: pick a printer, pick a run, touch what failed, save."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping, Sequence
from typing import Any
from urllib.parse import urlencode
from zoneinfo import ZoneInfo

from starlette.requests import Request
from starlette.responses import RedirectResponse, Response

from farmwatch.desk import finish, reading, taking
from farmwatch.desk.delivery import Refusal, Row, deliver, is_form, new_form, whereabouts
from farmwatch.desk.guard import Fields
from farmwatch.desk.pages import Desk
from farmwatch.desk.plate import draw_plate
from farmwatch.desk.reading import Plate
from farmwatch.records import ID_LIMIT

SHARED = ("lot_id", "wash_id", "file_id", "profile", "layer_height_mm", "exposure_s", "planned_s")
SUGGESTED = {
    "lot_id": ("lots", "lot_id"),
    "operator": ("runs", "operator"),
    "wash_id": ("runs", "wash_id"),
    "file_id": ("runs", "file_id"),
    "profile": ("runs", "profile"),
}


def show_printers(desk: Desk, request: Request) -> Response:
    return desk.page(request, "printers", printers=reading.printers(desk.farm))


def show_printer(desk: Desk, request: Request) -> Response:
    """A printer's last runs, and what a new one may be like."""
    name, form = request.query_params.get("id", ""), request.query_params.get("saved", "")
    return desk.page(
        request,
        "printer",
        printer=name,
        runs=reading.last_runs(desk.farm, name),
        layouts=reading.layouts(desk.farm, name),
        said=taking.said_of(whereabouts(desk.farm, form), desk.notes.get(form, [])),
    )


def show_run(desk: Desk, request: Request) -> Response:
    """A run that stands, or the form of a new one on a printer."""
    asked = request.query_params
    if "id" in asked:
        plate = reading.plate(desk.farm, asked["id"])
        if not plate.run:
            return desk.page(request, "trouble", 404, said=f"no run of that id: {asked['id']}")
        return _draw(desk, request, plate)
    printer = asked.get("printer", "")
    if not 0 < len(printer) <= ID_LIMIT:
        return desk.page(request, "trouble", 404, said="say which printer")
    return _draw(desk, request, _blank(desk, printer, asked.get("like", ""), asked.get("parts", ""), ""))


def save_run(desk: Desk, request: Request) -> Response:
    """Hand a run to the door; the form again, with what was typed, where it does not take it."""
    farm, fields = desk.farm, request.state.fields
    form, new = fields.text("form"), fields.text("new") == "1"
    run_id = fields.text("run_id") if new else fields.own("run_id")
    if not is_form(form):
        return desk.page(request, "trouble", 400, said="a form without an id: load the page again")
    standing = reading.plate(farm, run_id)
    plate = standing
    if new:
        plate = _blank(desk, fields.own("printer_id"), fields.own("like"), fields.text("parts"), run_id)
    elif not standing.run:
        return desk.page(request, "trouble", 404, said=f"no run of that id: {run_id}")
    typed = finish.read_run(fields, plate, farm.timezone)
    before = whereabouts(farm, form)
    taken_id = new and standing.seen != reading.NO_RUN and not before
    if taken_id:
        typed.problems["run_id"] = "there is a run of that id already: choose another, or put right that one"
    if typed.problems:
        return _draw(desk, request, plate, fields, "problems", typed.problems, form=form)
    if not typed.rows:
        return _gone(plate, form if before else "")
    done = deliver(farm, form, typed.rows, lambda: reading.plate(farm, run_id).seen == fields.text("seen"))
    if done.state in taking.GOOD:
        desk.note(form, taking.notes_of(done))
        return _gone(plate, form)
    now = plate if new else reading.plate(farm, run_id)
    differs = finish.changes(finish.read_run(fields, now, farm.timezone).rows, now, farm.timezone)
    return _draw(
        desk,
        request,
        now,
        fields,
        done.state,
        taking.by_field(done.refusals, "runs"),
        _part_problems(done.refusals, typed.rows),
        differs if done.state in ("changed", "used") else [],
        form=form if done.state in ("refused", "changed") else new_form(),
        seen=fields.text("seen") if done.state == "refused" else reading.plate(farm, run_id).seen,
    )


def _gone(plate: Plate, form: str) -> Response:
    where = {"id": plate.run["printer_id"], **({"saved": form} if form else {})}
    return RedirectResponse(f"/printer?{urlencode(where)}", 303)


def _blank(desk: Desk, printer: str, like: str, count: str, run_id: str) -> Plate:
    """The plate of a new run, with the parts of the run that it is like, or so many without a place."""
    parts = finish.laid_out(reading.parts_of(desk.farm, like), run_id) if like else finish.counted(count, run_id)
    width, depth = reading.plate_size(desk.farm, printer)
    return Plate({"printer_id": printer}, parts, width, depth)


def _draw(
    desk: Desk,
    request: Request,
    plate: Plate,
    fields: Fields | None = None,
    state: str = "",
    problems: Mapping[str, str] | None = None,
    part_problems: Sequence[str] = (),
    differs: list[finish.Change] | None = None,
    form: str = "",
    seen: str = "",
) -> Response:
    new = "outcome" not in plate.run
    asked: Mapping[str, Any] = {} if fields is not None else request.query_params
    return desk.page(
        request,
        "run",
        200 if fields is None else 422 if state != "changed" else 409,
        new=new,
        form=form or new_form(),
        seen=seen or (fields.text("seen") if fields is not None else reading.NO_RUN if new else plate.seen),
        like=fields.own("like") if fields is not None else asked.get("like", ""),
        count=fields.text("parts") if fields is not None else asked.get("parts", ""),
        values=_values(desk, plate, fields, new, asked.get("like", "")),
        parts=plate.parts,
        states=_states(desk, plate, fields),
        untouched=(fields.text("untouched") if fields is not None else "") or finish.untouched_as(plate),
        recorded=not new,
        drawing=draw_plate(plate.width_mm, plate.depth_mm, plate.parts),
        designs={part["part_no"]: part.get("design_id") or "" for part in plate.parts},
        suggestions={name: reading.known(desk.farm, *place) for name, place in SUGGESTED.items()},
        banner=taking.STATE_WORDS.get(state, ""),
        problems=dict(problems or {}),
        part_problems=part_problems,
        differs=differs or [],
    )


def _part_problems(refusals: Sequence[Refusal], rows: Mapping[str, Sequence[Row]]) -> list[str]:
    numbers = [row["part_no"] for row in rows.get("parts", ())]
    return [
        f"Part {numbers[line - 1]}: {finish.LABELS.get(column, column)}: {words}"
        for line, (column, words) in taking.by_line(refusals, "parts").items()
    ]


def _values(desk: Desk, plate: Plate, fields: Fields | None, new: bool, like: str) -> dict[str, str]:
    """What stands in the fields of the run: as typed, as recorded, or as suggested for a new one."""
    names = (*finish.STARTING, *finish.CHANGING)
    if fields is not None:
        drawn = {name: finish.shown(plate.run.get(name), desk.farm.timezone) for name in names}
        return {name: fields.text(name) if new or name in finish.CHANGING else drawn[name] for name in names}
    values = {name: finish.shown(plate.run.get(name), desk.farm.timezone) for name in names}
    if new:
        now = dt.datetime.now(ZoneInfo(desk.farm.timezone))
        printer = plate.run["printer_id"][: ID_LIMIT - 20]
        values |= _as_last_time(desk, like)
        values |= {"run_id": f"{printer}-{now:%Y%m%d-%H%M%S}", "ended_at": f"{now:%Y-%m-%dT%H:%M}"}
    return values


def _as_last_time(desk: Desk, like: str) -> dict[str, str]:
    """What a new run most likely shares with the one that it is like; the person sees it and may type over it."""
    run = reading.plate(desk.farm, like).run if like else {}
    return {name: finish.shown(run.get(name), desk.farm.timezone) for name in SHARED if run.get(name) is not None}


def _states(desk: Desk, plate: Plate, fields: Fields | None) -> dict[int, tuple[bool, str, str]]:
    """Of each part by its number: whether it failed, its own sign, its own height."""
    if fields is None:
        zone = desk.farm.timezone
        return {
            part["part_no"]: (
                part["outcome"] == "failed",
                finish.own_sign(part, plate.run),
                finish.own_height(part, plate.run, zone) if part["outcome"] == "failed" else "",
            )
            for part in plate.parts
        }
    touched = set(fields.all("failed"))
    return {
        number: (str(number) in touched, fields.text(f"sign_{number}"), fields.text(f"height_{number}"))
        for number in (part["part_no"] for part in plate.parts)
    }
