"""What to say to a person of what the door did with a form."""

from __future__ import annotations

from collections.abc import Sequence

from farmwatch.desk.delivery import Delivered, Refusal

GOOD = ("saved", "again", "waiting")  # states after which nothing is left to do
STATE_WORDS = {
    "changed": "Somebody else changed this since your page was drawn. Nothing was saved. Below stand both: look which "
    "is right. Saving again puts what you typed over what stands.",
    "used": "This form was saved before, with other content; what was saved then stands. Below is what you typed now: "
    "saving again enters it as well.",
    "refused": "The records cannot take this yet. Nothing was saved; what you typed is still here.",
    "quarantined": "Part of this went to quarantine, for the reasons below. Put it right and save again.",
    "problems": "Something is missing. Nothing was saved; what you typed is still here.",
}


def said_of(state: str | None, notes: Sequence[str]) -> list[str]:
    """After saving: where the entry is now, by what stands on disk."""
    if state == "waiting":
        return [
            "Another farmwatch is writing just now. Your entry waits in the inbox and goes in with the next collect; "
            "nothing is lost."
        ]
    return ["Saved: it is in the records.", *notes] if state == "kept" else []


def notes_of(delivered: Delivered) -> list[str]:
    """What is worth a second look in what was saved."""
    return [f"{name} is named but not registered in {table}: mistyped?" for table, name in delivered.unregistered]


def by_field(refusals: Sequence[Refusal], table: str) -> dict[str, str]:
    """The door's words on the first row of ``table``, by column."""
    return {refusal.column: refusal.words for refusal in refusals if refusal.table == table}


def by_line(refusals: Sequence[Refusal], table: str) -> dict[int, tuple[str, str]]:
    """Column and words of the refused rows of ``table``, by line from 1."""
    return {refusal.line: (refusal.column, refusal.words) for refusal in refusals if refusal.table == table}
