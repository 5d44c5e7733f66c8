"""The page of all settings, made from ``config/settings.toml``: ``python docs/make_settings.py`` writes docs/settings.md."""

from __future__ import annotations

import json
import tomllib
from pathlib import Path
from typing import Any

from farmwatch.settings import Settings, shipped

PAGE = Path(__file__).parent / "settings.md"
HEAD = """# Settings

This page is made from `config/settings.toml` by `python docs/make_settings.py`; a test holds the two together.

A farm changes single values in the `farm.toml` of its folder, plainly:

```toml
[farm]
name = "workshop"
timezone = "Europe/Paris"

[alarm_budget]
false_findings_per_month = 0.5
```

Whatever is not written there keeps the default. An unknown key or a value that does not fit ends the command with exit
code 1 and one line that names file, key and reason. Passwords never stand in a settings file: the mail server's comes from
the environment variable `FARMWATCH_MAIL_PASSWORD`, the webhook's token from `FARMWATCH_WEBHOOK_TOKEN`.
"""


def as_markdown(settings: dict[str, dict[str, dict[str, Any]]]) -> str:
    """The whole page. ``settings``: section -> key -> value, unit, reason."""
    out = [HEAD]
    for section, keys in settings.items():
        out += [f"## `{section}`", ""]
        about = (Settings.model_fields[section].annotation or Settings).__doc__
        out += [" ".join(about.split()), ""] if about else []
        out += ["| key | default | unit | reason |", "|---|---|---|---|"]
        for key, entry in keys.items():
            default = json.dumps(entry["value"], ensure_ascii=False)
            out.append(f"| `{key}` | `{default}` | {_cell(entry['unit'])} | {_cell(entry['reason'])} |")
        out.append("")
    return "\n".join(out).rstrip() + "\n"


def _cell(text: str) -> str:
    return text.replace("|", "\\|")


def shipped_settings() -> dict[str, dict[str, dict[str, Any]]]:
    return tomllib.loads(shipped("settings.toml").read_text(encoding="utf-8"))


if __name__ == "__main__":
    PAGE.write_text(as_markdown(shipped_settings()), encoding="utf-8")
