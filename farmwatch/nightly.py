"""The nightly recipe: records known by the evening -> expectation -> evidence -> findings -> causes -> ledger."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Sequence
from dataclasses import asdict, dataclass, replace

import numpy as np

from farmwatch.causes.answers import better
from farmwatch.causes.context import Context
from farmwatch.causes.diagnose import diagnose
from farmwatch.causes.repairs import RepairVerdict, last_mend, repair_verdict
from farmwatch.causes.table import CauseTable, load_causes
from farmwatch.crew import Crew, alone, give_back
from farmwatch.detectors.expected import fit_expectation, with_expectation
from farmwatch.detectors.layer_features import COLUMNS as LAYER_COLUMNS
from farmwatch.detectors.layer_features import keep_reduced
from farmwatch.detectors.mended import MendedPlates, fault_model, mended_plates
from farmwatch.detectors.night import PART_COLUMNS, History, Night, Spell, Verdicts, join_history
from farmwatch.engines import Engine, engine_of
from farmwatch.evidence import Check, Evidence, Finding, Status
from farmwatch.findings.life import update
from farmwatch.findings.merge import draw_together
from farmwatch.records import TABLES
from farmwatch.settings import Settings
from farmwatch.stats.plate_model import PlateModel
from farmwatch.stats.wald import effect_since
from farmwatch.store import Farm
from farmwatch.store.findings import load_findings_before, save_night

LONG = dt.timedelta(days=28)  # that a fault stood before it was found, from which its echoes may be found with it


@dataclass(frozen=True)
class NightResult:
    """Every finding after the night, and what each detector could and could not look at."""

    findings: tuple[Finding, ...]
    checks: tuple[Check, ...]


def look(history: History, as_of: dt.date, settings: Settings, findings: Sequence[Finding]) -> Night:
    """The night's view with its expectation, the spells of known findings apart."""
    night = history.night(as_of, settings)
    night = replace(night, spells=tuple(spell for finding in findings if (spell := spell_of(finding)) is not None))
    _ = history.cells  # cut before the fit begins, so that what that took can be given back
    give_back(history)
    expectation = fit_expectation(night)
    give_back(history)
    return with_expectation(night, expectation)


def spell_of(finding: Finding) -> Spell | None:
    """The days on which a finding's subject was at fault; nothing for what does not bear on failure rates."""
    evidence = finding.evidence
    if evidence.kind in ("odd_run", "signal_shift") or evidence.subject.type == "run":
        return None
    if evidence.kind == "wear" and evidence.subject.type == "farm":
        return None  # all holders climb from their first service on: there would be no plate apart from it
    if finding.status == "faded":
        return None  # what the evidence no longer bears out must not bend the expectation of others
    ended = None if finding.status in ("open", "returned") else finding.repair.get("on")
    return Spell(
        evidence.subject, _one_sign(evidence), evidence.since, ended, evidence.kind, finding.status == "watching"
    )


def _one_sign(evidence: Evidence) -> str | None:
    """The sign of the whole story, None where it has several or every one."""
    told = [evidence.detail, *evidence.detail.get("also", [])]
    others = {sign for part in told for sign in (part.get("sign"), *part.get("other_signs", ())) if sign is not None}
    return evidence.sign if others <= {evidence.sign} else None


def run_night(
    history: History,
    as_of: dt.date,
    settings: Settings,
    findings: Sequence[Finding],
    table: CauseTable,
    crew: Crew = alone,
) -> NightResult:
    """One night over what was known by then. ``findings``: the ledger as the night before left it.

    A fault that stood for weeks before anybody looked has bent what is expected of all that it met: the first look at a long
    record finds its echoes beside it. Then the night is looked at once more with what is new set apart, as the night after
    would.
    """
    night = look(history, as_of, settings, findings)
    verdicts = crew(night)
    known = {finding.finding_id for finding in findings}
    new = [finding for finding in update(findings, _drawn(verdicts), as_of) if finding.finding_id not in known]
    if any(as_of - finding.evidence.since >= LONG and spell_of(finding) is not None for finding in new):
        del night, verdicts  # what the first look took makes room
        night = look(history, as_of, settings, (*findings, *new))
        verdicts = crew(night)
    return filed(night, verdicts, findings, table)


def _drawn(verdicts: Sequence[Verdicts]) -> tuple[Evidence, ...]:
    return draw_together(item for verdict in verdicts for item in verdict.evidence)


def filed(night: Night, verdicts: Sequence[Verdicts], findings: Sequence[Finding], table: CauseTable) -> NightResult:
    """Every finding after the night: matched to the ledger, with causes, and the verdict on each mend."""
    as_of, settings, evidence = night.as_of, night.settings, _drawn(verdicts)
    checks = tuple(check for verdict in verdicts for check in verdict.checks)
    context = context_of(night)
    # before the night's evidence too: a mend of today is known when what it does to the rates is matched
    before = [finding if finding.repair else judged(finding, night, context, table) for finding in findings]
    # causes before the verdict: they say which work on the subject could have mended it
    known = [_diagnosed(finding, as_of, table, settings, context) for finding in update(before, evidence, as_of)]
    return NightResult(tuple(judged(finding, night, context, table) for finding in known), checks)


def context_of(night: Night) -> Context:
    """The night's view as the causes read it."""
    return Context(night.history.records, night.settings, night.as_of, night.plates, night.parts, night.part_risk)


def judged(finding: Finding, night: Night, context: Context, table: CauseTable) -> Finding:
    """The finding with the verdict on its latest mend, if something was done that could have mended it."""
    if finding.status in ("cleared", "faded") or better(finding.evidence):
        return finding  # it is over, or it got better: there is nothing to mend
    mend = last_mend(finding, context.service, night.settings.farm.timezone, table, night.settings.repairs)
    if mend is None:
        # what was watched turned out to be no work that could mend it: it goes on as if nothing had been done
        return replace(finding, status="open", repair={}) if finding.status == "watching" else finding
    if finding.evidence.kind == "wear" and mend.on < finding.first_flagged_on:
        return finding  # every service starts the count anew: only one done since anybody was told is a mend of this
    told = finding.repair
    if finding.status == "returned" and "decided_on" in told and told.get("event_id") == mend.event_id:
        return finding  # a verdict once fallen stands: it did not hold, or held and the trouble came back afterwards
    verdict = verdict_since(finding, night, mend.on)
    if verdict is None:
        status: Status = "watching"
        said: dict[str, object] = {}
    elif verdict.status == "returned" and mend.on < finding.first_flagged_on:
        return finding  # done before anybody was told, and it made no difference: no mend of this
    else:
        status, said = verdict.status, asdict(verdict)
    repair = {**said, "status": status, "event_id": mend.event_id, "action": mend.action, "on": mend.on}
    if status != "watching":
        same = all(finding.repair.get(name) == repair[name] for name in ("status", "event_id"))
        repair["decided_on"] = (finding.repair.get("decided_on") if same else None) or night.as_of
    return replace(finding, status=status, repair=repair)


def verdict_since(finding: Finding, night: Night, since: dt.date) -> RepairVerdict | None:
    """What the subject's plates from ``since`` on say of the mend; None where failures are not what was found."""
    evidence = finding.evidence
    units = [evidence.effect_unit, *(item["effect_unit"] for item in evidence.detail.get("also", []))]
    if evidence.kind != "wear" and "odds ratio" not in units:
        return None
    plates = mended_plates(night, evidence, since)
    farm = night.expectation.model if night.expectation is not None else PlateModel(0.1, 0.0)
    unseen = int((plates.day <= np.datetime64(finding.first_flagged_on)).sum())  # nobody looked while these came in
    fault = fault_model(plates, farm)
    effect, spread = effect_before(evidence, plates, fault)
    settings = night.settings.repairs
    return repair_verdict(
        plates.n, plates.y, plates.p, farm.rho, effect, spread, settings, unseen, fault, farm.accident_share
    )


def effect_before(evidence: Evidence, plates: MendedPlates, fault: PlateModel) -> tuple[float, float]:
    """Log odds ratio of the plates under the fault, and its standard error, in the same terms as those since.

    A finding's own size may be of another sort: of a place against the rest of the plate, of a height among failures, of
    plates that failed. What it says is taken where it has no plates before.
    """
    before = plates.before
    if before is None or not before.y.sum() > 0.0:
        with np.errstate(divide="ignore", invalid="ignore"):
            effect, low, high = np.log([evidence.effect, evidence.effect_low, evidence.effect_high])
        told = evidence.effect_unit == "odds ratio"
        return (float(effect), float(high - low) / 3.92) if told else (np.nan, np.nan)
    # hardly drawn towards none: the verdict does that
    effect, low, high = effect_since(before.y, before.n, before.p, fault.correlation(float(before.p.mean())), 4.0)
    return effect, (high - low) / 3.92


def _diagnosed(finding: Finding, as_of: dt.date, table: CauseTable, settings: Settings, context: Context) -> Finding:
    if finding.status in ("cleared", "faded") and finding.last_seen_on != as_of and finding.causes:
        return finding  # its story is over; the causes stay as they were last weighed
    try:
        causes, checks = diagnose(finding, table, settings, context)
    except Exception as error:  # a finding without causes is still a finding; its detail says why
        detail = {**finding.evidence.detail, "no_causes": f"{type(error).__name__}: {error}"}
        return replace(finding, evidence=replace(finding.evidence, detail=detail))
    return replace(finding, causes=causes, next_checks=checks)


def history_of(farm: Farm) -> History:
    """The farm's records, read and joined. Raises what the store raises."""
    others = [table for table in TABLES if table not in ("parts", "layers")]
    # the records get no name here: the join lets go of them
    history = join_history(farm.records(others), farm.pieces("parts", PART_COLUMNS))
    return keep_reduced(history, lambda: farm.pieces("layers", LAYER_COLUMNS))


def nightly(farm: Farm, as_of: dt.date, engine: Engine | None = None, history: History | None = None) -> NightResult:
    """The night ``as_of`` on a farm's records, filed in its ledger. ``history``: the records, where they have been read.
    Raises what the store and the causes raise.
    """
    history = history or history_of(farm)
    return nights(farm, history, as_of, as_of, causes_of_farm(farm), engine=engine)


def nights(
    farm: Farm,
    history: History,
    first: dt.date,
    last: dt.date,
    table: CauseTable,
    progress: Callable[[dt.date], None] | None = None,
    engine: Engine | None = None,
) -> NightResult:
    """Every night from ``first`` to ``last``, each filed; the result is that of the last. ``engine``: by default that
    of the farm's settings."""
    engine = engine or engine_of(farm.settings)
    with farm.writer(), engine(history, farm.settings, (last - first).days + 1) as crew:
        findings: Sequence[Finding] = load_findings_before(farm, first)
        night = first
        while True:
            result = run_night(history, night, farm.settings, findings, table, crew)
            save_night(farm, night, result.findings, result.checks)
            findings = result.findings
            if progress is not None:
                progress(night)
            if night >= last:
                return result
            night += dt.timedelta(days=1)


def causes_of_farm(farm: Farm) -> CauseTable:
    """The table of causes with the farm's own ``causes.toml`` over the shipped one."""
    own = farm.path / "causes.toml"
    return load_causes(own if own.exists() else None)
