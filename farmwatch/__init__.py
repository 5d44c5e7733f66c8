"""farmwatch gives a farm of resin printers the eye that reads failures as a pattern and names their cause."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from farmwatch.notebook import open_farm

__all__ = ["open_farm"]


def __getattr__(name: str) -> Any:
    """``farmwatch.open_farm`` for notebooks, imported when it is asked for, so that commands start at once."""
    if name == "open_farm":
        from farmwatch.notebook import open_farm

        return open_farm
    raise AttributeError(f"module 'farmwatch' has no attribute {name!r}")
