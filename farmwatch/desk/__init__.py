"""The desk: a page for entry at the machine. What it takes goes through the same door as delivered files."""

from farmwatch.desk.app import build_app
from farmwatch.desk.pages import Desk
from farmwatch.desk.serve import open_desk

__all__ = ["Desk", "build_app", "open_desk"]
