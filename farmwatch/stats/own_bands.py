"""Every subject has a level of its own in each band: what peers differ by is no pattern, what goes beyond it is.

On a good farm the subjects of one type do not fail at quite the same heights: plates of one family are larger, the parts
of one lot taller. A stream's log odds of failing in a band against what is due there is therefore drawn from its peers'
spread, u ~ N(0, sd), and integrated out, as the rates do with their levels. With l(a) the log-likelihood of the stream's
plates at log odds ``a`` of the band, the evidence for a shift r from an onset on is

    LR(onset, r) = sum_u w_u exp(before(u) + after(u + r)) / sum_u w_u exp(before(u) + after(u)),

of mean 1 while nothing is wrong and each plate fails in one band only; a plate whose failures are spread over bands tells
less than it is taken to vary, which errs on the quiet side. The spread of the peers is itself unknown: it is averaged over
what the other streams say of it, a few faulty ones among them allowed for, and to it is added what the reference itself
is uncertain by, having been estimated from so many failures.

Source of the sums: Pollak, Annals of Statistics 13 (1985) 206-227, as in ``stats.rate_scan``.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

LEVELS = np.linspace(-2.5, 2.5, 21)  # log odds of a stream's own level
SPREADS = np.array([0.05, 0.15, 0.3, 0.45, 0.6, 0.8, 1.0, 1.3])
FAULTY_SHARE, FAULTY_SD = 0.05, 2.0  # of the other streams when their spread is read from them
ROWS_AT_ONCE = 4096  # plates reckoned together, in whole streams
LEARNT_FROM = 6  # streams: among fewer, one that fails in a band makes the others seem to shun it


def band_log_likelihood(observed: np.ndarray, expected: np.ndarray, log_odds: np.ndarray) -> np.ndarray:
    """Of each plate at each log odds of failing in the band against what is due, relative to log odds of 0.

    ``observed``, ``expected``: shares of a plate's failures in each band; with ``log_odds`` broadcast to one shape.
    """
    return np.asarray(observed * log_odds - np.log1p(expected * np.expm1(log_odds)))


def level_prior(total: np.ndarray, reference_sd: np.ndarray, usual_sd: float) -> np.ndarray:
    """Log weights of LEVELS for each stream and band, (streams, bands, levels), from what the other streams are like.

    ``total``: log-likelihood of each stream's plates at LEVELS, (streams, bands, levels). ``reference_sd``: standard
    error of the log odds that are due, (streams, bands). ``usual_sd``: scale of the half-normal prior of the spread.
    """
    width = np.sqrt(SPREADS**2 + reference_sd[..., None] ** 2)  # streams, bands, spreads
    log_w = -0.5 * (LEVELS / width[..., None]) ** 2
    log_w -= _log_sum(log_w)[..., None]
    wide = -0.5 * (LEVELS / FAULTY_SD) ** 2
    wide -= _log_sum(wide)
    healthy = _log_sum(log_w + total[:, :, None, :])
    faulty = _log_sum(wide + total)
    own = np.logaddexp(np.log(1.0 - FAULTY_SHARE) + healthy, np.log(FAULTY_SHARE) + faulty[..., None])
    heard = own.sum(axis=0) - own if len(own) > LEARNT_FROM else np.zeros_like(own)
    others = heard - 0.5 * (SPREADS / usual_sd) ** 2
    others -= _log_sum(others)[..., None]
    return _log_sum(np.moveaxis(others[..., None] + log_w, 2, -1))


def band_sums(
    observed: np.ndarray,
    expected: np.ndarray,
    stream_start: np.ndarray,
    day_weight: np.ndarray,
    band_weight: np.ndarray,
    ratios: tuple[float, ...],
    reference_sd: np.ndarray,
    usual_sd: float,
) -> np.ndarray:
    """Restart sum of every stream tonight, natural logarithm, shape (streams,), own levels integrated out.

    ``observed``, ``expected``: (plates, bands), plates sorted by stream, then time; ``stream_start``, ``day_weight``: as
    for :func:`farmwatch.stats.onsets.restart_sums`; ``band_weight``: (bands,), summing to at most 1; ``ratios``: the
    odds ratios of a shift, equally likely. What is counted must also go beyond what is due, not beyond the stream's own
    past alone: a fault in one band that ends is no fault in another.
    """
    pieces = list(whole_streams(stream_start, len(observed), ROWS_AT_ONCE))
    total = np.concatenate(
        [
            np.add.reduceat(band_log_likelihood(observed[rows, :, None], expected[rows, :, None], LEVELS), begin)
            for _, rows, begin in pieces
        ]
    )
    null = level_prior(total, reference_sd, usual_sd) + total
    posterior = null - _log_sum(null)[..., None]
    with np.errstate(divide="ignore"):
        log_band, log_day = np.log(band_weight) - np.log(len(ratios)), np.log(day_weight)
    return np.concatenate(
        [
            _restarted(observed[rows], expected[rows], begin, posterior[some], log_day[rows], log_band, ratios)
            for some, rows, begin in pieces
        ]
    )


def _restarted(
    observed: np.ndarray,
    expected: np.ndarray,
    stream_start: np.ndarray,
    log_posterior: np.ndarray,
    log_day: np.ndarray,
    log_band: np.ndarray,
    ratios: tuple[float, ...],
) -> np.ndarray:
    """Restart sums of some streams, (streams,); ``log_posterior``: of their own levels, (streams, bands, levels)."""
    length = np.diff(np.append(stream_start, len(observed)))
    stream = np.repeat(np.arange(len(length)), length)
    none = int(np.argmin(np.abs(LEVELS)))
    terms = []
    for band in range(observed.shape[1]):  # one after the other, for memory; levels by plates
        seen, due = observed[:, band], expected[:, band]
        plain = _since(band_log_likelihood(seen, due, LEVELS[:, None]), stream_start, length)
        null = log_posterior[:, band].T[:, stream] - plain
        for ratio in ratios:
            shifted = _since(band_log_likelihood(seen, due, LEVELS[:, None] + np.log(ratio)), stream_start, length)
            own = _log_sum(null + shifted, axis=0)
            terms.append(np.minimum(own, shifted[none] - plain[none]) + log_band[band] + log_day)
    each = _log_sum(np.stack(terms), axis=0)
    top = np.maximum.reduceat(each, stream_start)
    scaled = np.exp(each - np.where(np.isfinite(top), top, 0.0)[stream])
    return np.asarray(np.log(np.add.reduceat(scaled, stream_start)) + top)


def whole_streams(stream_start: np.ndarray, rows: int, at_once: int) -> Iterator[tuple[slice, slice, np.ndarray]]:
    """Whole streams of about ``at_once`` rows after each other: which streams, which rows, and where each begins in them.

    ``stream_start``: row at which each stream begins, (streams,), of ``rows`` in all.
    """
    ends = np.append(stream_start[1:], rows)
    first = 0
    while first < len(ends):
        start = stream_start[first]
        last = max(int(np.searchsorted(ends, start + at_once, side="right")), first + 1)
        yield slice(first, last), slice(start, ends[last - 1]), stream_start[first:last] - start
        first = last


def _since(values: np.ndarray, stream_start: np.ndarray, length: np.ndarray) -> np.ndarray:
    """Sums from each plate to the end of its stream, (levels, plates)."""
    total = np.cumsum(values, axis=1)
    return np.asarray(np.repeat(total[:, stream_start + length - 1], length, axis=1) - total + values)


def _log_sum(terms: np.ndarray, axis: int = -1) -> np.ndarray:
    top = terms.max(axis=axis)
    safe = np.where(np.isfinite(top), top, 0.0)
    with np.errstate(divide="ignore"):
        return np.asarray(np.log(np.exp(terms - np.expand_dims(safe, axis)).sum(axis=axis)) + safe)
