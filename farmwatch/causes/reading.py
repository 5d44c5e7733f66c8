"""The table of causes as a page for readers: ``python -m farmwatch.causes.reading > docs/causes.md``."""

from __future__ import annotations

import numpy as np

from farmwatch.causes.questions import CAUSES, CODES, COUNTER_WORDS, DISTRIBUTIONS, EVENT_WORDS, PLACES, SUBJECT_WORDS
from farmwatch.causes.table import CauseTable, load_causes

_HEAD = """# Causes, checks, cautions

This page is made from `config/causes.toml`; a test holds the two together. Every number behind it is common practice,
with no source to cite: judgements of what is usual, to be bettered from a farm's own record. A farm changes single
values in a `causes.toml` in its own folder, for example

```toml
[causes.film_worn]
prior = 0.2                      # films wear fast here

[checks.new_film]
hours = 0.5
```

A wrong key, code or number is refused when it is read, with the file, the key and the reason.
"""


def as_markdown(table: CauseTable) -> str:
    """The whole page."""
    out = [_HEAD, f"> {table.cautions['always']}", "", "## Causes", ""]
    for code in CAUSES:
        out += _cause(code, table)
    out += ["## Checks", ""]
    for code, check in table.checks.items():
        results = "; ".join(f"`{result}` ({words})" for result, words in check.results.items())
        out += [f"### {check.title} (`{code}`)", "", f"{check.does} About {check.hours:g} hours of hands.", ""]
        out += [f"Results: {results}.", ""]
        out += [f"**Caution.** {table.caution(check.cautions)}", ""] if check.cautions else []
    return "\n".join(out).rstrip() + "\n"


def _cause(code: str, table: CauseTable) -> list[str]:
    entry = table.causes[code]
    out = [f"### {entry.title} (`{code}`)", "", entry.says, "", f"- pattern: {entry.sketch}"]
    out += [f"- {name}: {_top(code, question, table)}" for question, name in _TOLD if getattr(entry, question)]
    if entry.events:
        out.append(f"- near its beginning: {', '.join(EVENT_WORDS[event] for event in entry.events)}")
    if entry.counters:
        out.append(f"- grows with: {', '.join(COUNTER_WORDS[counter] for counter in entry.counters)}")
    out += ["", f"Mend: {entry.mend}", ""]
    if entry.mends:
        out += [f"Service rows that may have mended it: {', '.join(f'`{action}`' for action in entry.mends)}.", ""]
    out += [f"**Caution.** {table.caution(entry.cautions)}", ""] if entry.cautions else []
    return out


_TOLD = (("who", "who"), ("where", "where"), ("height", "how high"), ("signs", "signs"))


def _top(code: str, question: str, table: CauseTable) -> str:
    share = table.shares[question][CODES.index(code)]
    words = {**SUBJECT_WORDS, **PLACES}
    listed = [i for i in np.argsort(-share, kind="stable") if share[i] >= 0.1]
    names = [DISTRIBUTIONS[question][i] for i in listed]
    return ", ".join(
        f"{words.get(name, name.replace('_', ' '))} {100 * share[i]:.0f} %"
        for i, name in zip(listed, names, strict=True)
    )


if __name__ == "__main__":
    print(as_markdown(load_causes()), end="")
