"""Which lot, printer or profile grows its edges: too much light cured in, or too little (`cure_offset`).

Every session of measured pieces gives one growth. Sessions share the effects of printer, lot, resin and profile, all
drawn from natural spreads that the farm itself shows; a subject is filed when "this one lies off" explains the
measurements so much better that a quiet farm would show the like less often than the alarm budget allows. The subject
that explains most is taken first and then allowed for.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import replace
from typing import cast

import numpy as np
import pandas as pd
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components

from farmwatch.detectors.cure_account import NAME, evidence_of
from farmwatch.detectors.cure_scene import (
    Claim,
    Scene,
    Stream,
    fit_scene,
    level_row,
    light_days,
    log_limit,
    set_cure_scene,
    with_column,
)
from farmwatch.detectors.growth_sessions import Sessions, growth_sessions, known_coupons
from farmwatch.detectors.night import Night, Verdicts
from farmwatch.evidence import Check, Evidence, Subject, SubjectType
from farmwatch.stats.growth_effects import CrossedFit, column_evidence, contrast, level_evidence, log_sum, whiten

SHARED = np.array([0.0, 0.3, 1.0, 3.0])  # what a day of measuring shares, as a variance in units of a session's noise
OFFSETS = np.array([3.0, 8.0, 20.0])  # how far off a faulty subject may lie, in the same units
FAR_OFF = np.array([3.0, 6.0])  # how far off zero a faulty norm may lie, in units of the tolerance
PREFERENCE: tuple[SubjectType, ...] = ("lot", "printer", "profile", "farm")
ONSETS_AT_ONCE = 256  # candidates whose columns stand in full at a time: all those of 100 printers took 0.4 GiB
NAMES_TOGETHER = 500  # lots and printers, up to which a farm is weighed as one
NAMES_AT_MOST = 1_500  # in one group: nine matrices of so many squared are 160 MB, and their inverses minutes
RIVAL_COST = 3.0  # log-likelihood: subjects whose claims differ by less cannot be told apart


def detect(night: Night) -> Verdicts:
    """Evidence of every lot, printer, profile (or the farm) that cures over or under."""
    limits = night.settings.cure_offset
    coupons = known_coupons(night)
    sessions = growth_sessions(coupons, limits.gross_error_mm)
    usable = sessions.frame[~sessions.frame["ladder"]].reset_index(drop=True)
    if usable.empty:
        return Verdicts((), (Check(NAME, "too_few", "farm", "farm", "no bar or slot has been measured"),))
    checks = _checks(night, sessions, usable)
    scenes = [set_cure_scene(night, coupons, sessions, frame) for frame in apart(usable)]
    per_month = _summed(scene.per_month for scene in scenes)
    evidence: list[Evidence] = []
    for scene in scenes:
        if len(scene.effects) > NAMES_AT_MOST:
            why = f"{len(scene.effects)} names whose measured pieces hang together are more than can be weighed at once"
            checks = (*checks, Check(NAME, "failed", "farm", "farm", why))
        elif scene.streams:
            evidence += _found(replace(scene, per_month=per_month))
    return Verdicts(tuple(evidence), checks)


def apart(frame: pd.DataFrame) -> list[pd.DataFrame]:
    """The sessions of a large farm in groups without a lot or a printer in common, small ones together; of a small farm all.

    The work grows with the cube of the names. What groups share, the profile's own level for one, each then tells for itself.
    """
    lot, lots = pd.factorize(frame["lot_id"])
    printer, printers = pd.factorize(frame["printer_id"])
    if len(lots) + len(printers) <= NAMES_TOGETHER:
        return [frame]
    both = (lot >= 0) & (printer >= 0)
    names = len(lots) + len(printers)
    met = coo_array((np.ones(both.sum(), bool), (lot[both], len(lots) + printer[both])), shape=(names, names))
    pieces, piece = connected_components(met, directed=False)
    size = np.bincount(piece, minlength=pieces)
    order = np.argsort(-size, kind="stable")
    group_of = np.empty(pieces, np.int64)
    group_of[order] = (np.cumsum(size[order]) - 1) // NAMES_TOGETHER
    # a session that names neither stands with the first group
    first = np.where(lot >= 0, lot, np.where(printer >= 0, len(lots) + printer, int(np.argmax(size[piece]))))
    group = group_of[piece[first]]
    return [frame[group == number].reset_index(drop=True) for number in np.unique(group)]


def _summed(counts: Iterable[dict[str, float]]) -> dict[str, float]:
    total: dict[str, float] = {}
    for each in counts:
        total = {name: total.get(name, 0.0) + each.get(name, 0.0) for name in {**total, **each}}
    return total


def _found(scene: Scene) -> list[Evidence]:
    """What lies off, strongest first, each explained before the next is looked for."""
    limits = scene.night.settings.cure_offset
    evidence: list[Evidence] = []
    taken: set[Subject] = set()
    for number in range(limits.findings_at_most):
        if number < 2:  # the first fault found may have looked like days that share much; further ones add little
            scene = _with_shared_days(scene)
        fit = fit_scene(scene)
        claims = _claims(scene, fit, [stream for stream in scene.streams if stream.subject not in taken])
        claims = [
            claim for claim in claims if claim.explains - log_limit(scene, claim.stream.subject) >= -limits.keep_within
        ]
        if not claims:
            break
        best = _preferred(claims)
        taken.add(best.stream.subject)
        rivals = _rivals(scene, fit, best, claims)
        scene = _allowing_for(scene, best)
        one = evidence_of(scene, best, rivals)
        scene = _may_have_ended(scene, best)
        # what may be a botched session is no news, but it explains that session
        told = one.score >= -limits.keep_within
        if told and abs(one.effect) >= limits.matters_mm:
            evidence.append(one)
    return evidence


def _columns_evidence(scene: Scene, fit: CrossedFit, columns: np.ndarray) -> np.ndarray:
    return column_evidence(fit, whiten(columns, scene.weight, scene.day, scene.shared), OFFSETS)


def _with_shared_days(scene: Scene) -> Scene:
    """How much the sessions of one day share: what makes the measurements most likely, all else averaged over."""
    if scene.day.size == scene.day.max() + 1:
        return scene
    total = np.bincount(scene.day, scene.weight)
    scenes = [replace(scene, shared=float(shared)) for shared in SHARED]
    likely = [log_sum(fit_scene(s).log_weight) - 0.5 * float(np.log1p(s.shared * total).sum()) for s in scenes]
    return scenes[int(np.argmax(likely))]


def _claims(scene: Scene, fit: CrossedFit, streams: list[Stream]) -> list[Claim]:
    """What every stream claims, given what was found before it; many relative streams in one pass."""
    relative = [stream for stream in streams if not stream.absolute]
    claims = [claim for some in _by_onsets(relative) for claim in _relative_claims(scene, fit, some)]
    tolerance = scene.night.settings.cure_offset.target_tolerance_mm
    for stream in streams:
        if stream.absolute:
            value = contrast(fit, level_row(scene, stream))
            off = level_evidence(value, tolerance, tolerance * FAR_OFF)
            claims.append(_claim(stream, np.array([off]), np.array([off])))
    return claims


def _by_onsets(streams: list[Stream]) -> Iterator[list[Stream]]:
    """The streams in lots of about ONSETS_AT_ONCE candidates."""
    which = np.cumsum([stream.days.size for stream in streams]) // ONSETS_AT_ONCE
    for number in np.unique(which):
        yield [stream for stream, lot in zip(streams, which, strict=True) if lot == number]


def _relative_claims(scene: Scene, fit: CrossedFit, streams: list[Stream]) -> list[Claim]:
    columns = np.concatenate([stream.columns for stream in streams], axis=1)
    evidence = _columns_evidence(scene, fit, columns)
    lone = columns.sum(axis=0) == 1
    chance = scene.night.settings.cure_offset.session_botched
    doubted = np.where(lone, or_botched(evidence, chance), evidence)
    ends = np.cumsum([stream.days.size for stream in streams])[:-1]
    parts = (np.split(each, ends) for each in (evidence, doubted))
    return [_claim(s, e, d) for s, e, d in zip(streams, *parts, strict=True)]


def or_botched(evidence: np.ndarray, chance: float) -> np.ndarray:
    """Log evidence of offsets that rest on one session each, where such a session may be a botched print with ``chance``.

    A botched session differs from an offset by nothing, so that the likelihood of none holds it too: the evidence stays
    below 1 / chance, and a second session decides.
    """
    return evidence - np.logaddexp(np.log1p(-chance), np.log(chance) + evidence)


def _claim(stream: Stream, per_onset: np.ndarray, doubted: np.ndarray) -> Claim:
    weight = np.log(np.maximum(stream.weight, 1e-300))
    best = int(np.argmax(per_onset + weight))
    return Claim(stream, log_sum(doubted + weight), per_onset, best, log_sum(per_onset + weight))


def _preferred(claims: list[Claim]) -> Claim:
    top = max(claim.explains for claim in claims)
    near = [claim for claim in claims if claim.explains >= top - 0.7]
    return min(near, key=lambda c: (PREFERENCE.index(c.stream.subject.type), -c.explains, c.stream.subject.id))


def _rivals(scene: Scene, fit: CrossedFit, best: Claim, claims: list[Claim]) -> tuple[Subject, ...]:
    """Subjects whose claim dies when ``best`` is allowed for, and the other way round: of those that claim anything, and of
    all whose sessions since its onset are among its own, whether or not they would be filed by themselves."""
    column = best.stream.columns[:, [best.best]]
    with_best = fit_scene(with_column(scene, column, "found"))
    own = best.per_onset[best.best]
    others = {c.stream.subject: (c.explains - best.explains, c.stream.columns[:, [c.best]]) for c in reversed(claims)}
    if not best.stream.absolute:
        for subject, beside in _beside(scene, column[:, 0] > 0.0):
            if subject not in others:
                others[subject] = float(_columns_evidence(scene, fit, beside)[0]) - own, beside
    rivals = []
    for subject, (lead, other) in sorted(others.items(), key=lambda each: -each[1][0]):
        if subject == best.stream.subject or lead < -RIVAL_COST:
            continue
        with_other = fit_scene(with_column(scene, other, "found"))
        best_left = float(_columns_evidence(scene, with_other, column)[0])
        other_left = float(_columns_evidence(scene, with_best, other)[0])
        if best_left < RIVAL_COST and other_left < RIVAL_COST:
            rivals.append(subject)
    return tuple(rivals[:5])


def _beside(scene: Scene, touched: np.ndarray) -> Iterator[tuple[Subject, np.ndarray]]:
    """Every name on the ``touched`` sessions, (sessions,), with its own sessions from the first of these on as a column."""
    late = scene.frame["day"].to_numpy() >= scene.frame["day"].to_numpy()[touched].min()
    for kind, name in (("lot", "lot_id"), ("printer", "printer_id"), ("profile", "profile")):
        for level in scene.frame.loc[touched, name].dropna().unique():
            column = (scene.frame[name] == level).to_numpy() & late
            yield Subject(cast(SubjectType, kind), str(level)), column[:, None] * 1.0


def _allowing_for(scene: Scene, claim: Claim) -> Scene:
    """An absolute level is already a free effect; every other claim becomes one."""
    if claim.stream.absolute:
        return scene
    return with_column(scene, claim.stream.columns[:, [claim.best]], claim.stream.subject.id)


def _may_have_ended(scene: Scene, claim: Claim) -> Scene:
    """A printer's offset may have ended whenever its light was touched: sessions from then on have a level of their own.

    Else a lamp that was put right would stand out against the offset that is allowed for, as its profile's fault.
    """
    stream = claim.stream
    if stream.subject.type != "printer":
        return scene
    day, touched = scene.frame["day"].to_numpy(), stream.columns[:, claim.best]
    for event in light_days(scene.night).get(stream.subject.id, ()):
        after = touched & (day >= event)
        if event > stream.days[claim.best] and after.any():
            scene = with_column(scene, after[:, None] * 1.0, stream.subject.id)
    return scene


def _checks(night: Night, sessions: Sessions, frame: pd.DataFrame) -> tuple[Check, ...]:
    checks = []
    least = night.settings.cure_offset.pieces_at_least
    for kind, name in (("lot", "lot_id"), ("printer", "printer_id"), ("profile", "profile")):
        subject_type = cast(SubjectType, kind)
        pieces = frame.groupby(name)["pieces"].sum()
        used = int(night.plates[name].nunique())
        enough = int((pieces >= least).sum())
        few = max(used, len(pieces)) - enough
        if enough and len(pieces) == 1:
            why = f"only one {kind} was measured: nothing to compare it with but zero growth"
            checks.append(Check(NAME, "too_few", subject_type, None, why))
        elif enough:
            checks.append(Check(NAME, "clear", subject_type, None, "", enough))
        if few > 0:
            why = f"fewer than {least} bars and slots measured"
            checks.append(Check(NAME, "too_few", subject_type, None, why, few))
    if not frame["separable"].any():
        checks.append(
            Check(
                NAME, "too_few", "farm", "farm", "no bar and slot of one print: growth and scale cannot be told apart"
            )
        )
    if sessions.misread:
        why = f"{sessions.misread} pieces left out: their error is beyond any growth, so they were misread"
        checks.append(Check(NAME, "too_few", "farm", "farm", why))
    return tuple(checks)
