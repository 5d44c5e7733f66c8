"""The glossary names everything that a report may say."""

from __future__ import annotations

from pathlib import Path

from farmwatch.evidence import KINDS, STATUSES, SUBJECT_NAMES, SUBJECT_TYPES
from farmwatch.records import SIGNS
from farmwatch.report import words

GLOSSARY = (Path(__file__).parents[2] / "docs" / "glossary.md").read_text(encoding="utf-8")


def test_every_kind_and_state_is_explained() -> None:
    for kind in KINDS:
        assert f"(`{kind}`)" in GLOSSARY, kind
        assert words.sentence(words.KIND_WORDS[kind]) in GLOSSARY, kind
    for status in STATUSES:
        assert f"(`{status}`)" in GLOSSARY or f"**{status.capitalize()}.**" in GLOSSARY, status


def test_every_sign_and_subject_is_explained() -> None:
    for sign in SIGNS:
        assert f"| {words.phrase(sign)} |" in GLOSSARY, sign
    for subject in SUBJECT_TYPES:
        assert SUBJECT_NAMES[subject].split()[-1] in GLOSSARY.lower(), subject
