"""The documents name everything that there is, link only to what exists, and show only commands that work."""

from __future__ import annotations

import datetime as dt
import importlib
import importlib.util
import re
import shlex
import sys
import tomllib
from collections.abc import Iterator
from pathlib import Path
from types import ModuleType

import click
import pytest
from click.testing import CliRunner

from farmwatch.causes.table import load_causes, load_signs
from farmwatch.cli import main
from farmwatch.collect.rules import REASONS
from farmwatch.crew import DETECTORS
from farmwatch.evidence import BANDS, KINDS, STATUSES, SUBJECT_TYPES, ZONES, Evidence, Finding, Subject
from farmwatch.records import ACTIONS, SIGNS, TABLES
from farmwatch.report.text import to_json
from farmwatch.settings import Settings, load_settings

ROOT = Path(__file__).parents[2]
DOCS = ROOT / "docs"
PAGES = sorted([ROOT / "README.md", ROOT / "DEVELOPERS.md", ROOT / "data_samples" / "README.md", *DOCS.rglob("*.md")])
STAND_INS = {"COMMAND", "NAME"}  # in the text, for any command or name


def read(path: Path) -> str:
    return path.read_text(encoding="utf-8")


def name_of(path: Path) -> str:
    return path.relative_to(ROOT).as_posix()


def sections(page: Path) -> dict[str, str]:
    """Text under each heading of the second level, by heading."""
    pieces = re.split(r"^## (.+)$", read(page), flags=re.MULTILINE)
    return dict(zip(pieces[1::2], pieces[2::2], strict=True))


def first_cells(text: str) -> list[str]:
    """Every code in the first column of the tables in ``text``."""
    return [
        code for row in re.findall(r"^\| *(`[^|]*`) *\|", text, re.MULTILINE) for code in re.findall(r"`(.+?)`", row)
    ]


# -------------------------------------------------------------------------------------------------- what there is


def test_every_column_stands_in_its_table_and_nothing_else() -> None:
    told = sections(DOCS / "tables.md")
    for table in TABLES.values():
        text = told[f"`{table.name}`"]
        rows = re.findall(r"^\| `(\w+)` \| (.+?) \| (.+?) \| (.*?) ?\|$", text, re.MULTILINE)
        assert [row[0] for row in rows] == list(table.names), table.name
        assert [row[0] for row in rows if row[3] == "needed"] == list(table.required), table.name
        assert all(f"`{key}`" in text.split("\n\n")[1] for key in table.key), table.name
        for column, row in zip(table.columns, rows, strict=True):
            unit = row[2]
            fits = {"id": "id", "text": "text", "time": "time", "code": "code"}
            assert unit == fits[column.kind] if column.kind in fits else unit not in fits.values(), row
            if column.strict:
                assert set(column.choices) <= set(re.findall(r"`(\w+)`", row[1])), row
            for ending, expected in {"_mm": "mm", "_s": "s", "_c": "degC", "_n": "N", "_mm2": "mm2"}.items():
                if column.name.endswith(ending):
                    assert unit == expected, row


def test_every_action_and_reason_is_told() -> None:
    told = sections(DOCS / "tables.md")
    assert first_cells(told["Actions"]) == list(ACTIONS)
    assert first_cells(told["Reasons for quarantine"]) == list(REASONS)


def test_every_code_of_a_finding_is_told() -> None:
    told = sections(DOCS / "findings.md")
    assert first_cells(told["Kinds"]) == list(KINDS)
    assert first_cells(told["States"]) == list(STATUSES)
    assert first_cells(told["Zones"]) == list(ZONES)
    assert first_cells(told["Bands"]) == list(BANDS)
    assert re.findall(r"`(\w+)`", told["Subjects"])[: len(SUBJECT_TYPES)] == list(SUBJECT_TYPES)


def test_every_sign_is_told_in_the_words_of_the_shipped_file() -> None:
    rows = re.findall(r"^\| `(\w+)` \| (.+) \|$", sections(DOCS / "findings.md")["Signs"], re.MULTILINE)
    assert [code for code, _ in rows] == list(SIGNS)
    assert dict(rows) == dict(load_signs())


def test_every_field_of_a_finding_is_told() -> None:
    day = dt.date(2031, 4, 2)
    size = ("parts", 3.0, 2.0, 5.0, "odds ratio", 0.1, 1.0, "up")
    evidence = Evidence("rate_shift", Subject("printer", "P1"), day, day, day, 9.0, 3.0, 90.0, *size)
    published = to_json([Finding("F1", evidence, day, day)], {})[0]
    assert set(first_cells(sections(DOCS / "findings.md")["Fields"])) == set(published)


def test_every_cause_and_check_is_told() -> None:
    page, table = read(DOCS / "causes.md"), load_causes()
    for code in (*table.causes, *table.checks):
        assert f"(`{code}`)\n" in page, code


def test_the_table_of_sources_names_every_published_check_and_every_page_of_methods() -> None:
    page = read(DOCS / "sources.md")
    for path in (ROOT / "tests" / "published").iterdir():
        if path.is_file():
            assert f"`{name_of(path)}`" in page, path.name
    for method in (DOCS / "methods").glob("*.md"):
        assert f"(methods/{method.name})" in page, method.name


def test_every_detector_has_a_page_of_its_method() -> None:
    for name, _ in DETECTORS:
        page = read(DOCS / "methods" / f"{name}.md")
        for said in ("Question", "[Bb]ad at", "cries wolf", "Proof"):
            assert re.search(said, page), f"{name}: {said}"


# -------------------------------------------------------------------------------------------------------- settings


def load_script(path: Path) -> ModuleType:
    spec = importlib.util.spec_from_file_location(path.stem, path)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules[path.stem] = module  # where its dataclasses look for themselves
    spec.loader.exec_module(module)
    return module


def test_the_page_of_settings_is_that_of_the_shipped_file() -> None:
    script = load_script(DOCS / "make_settings.py")
    assert read(DOCS / "settings.md") == script.as_markdown(script.shipped_settings()), "python docs/make_settings.py"


def test_every_statistic_has_a_row_of_sources() -> None:
    told = read(DOCS / "sources.md")
    assert [
        path.name for path in (ROOT / "farmwatch" / "stats").glob("[a-z]*.py") if f"stats/{path.name}" not in told
    ] == []


def test_every_work_that_a_statistic_cites_is_among_the_sources() -> None:
    """The first name of what stands as ``Name ... 1963)`` in a docstring or comment of stats/."""
    told = read(DOCS / "sources.md")
    cited = set()
    for path in (ROOT / "farmwatch" / "stats").glob("*.py"):
        for inside in re.findall(r"\(([^()]*\b(?:19|20)\d\d\b[^()]*)\)", " ".join(read(path).split())):
            cited |= {(path.name, name) for name in re.findall(r"(?:^|; )([A-Z][a-z]+)", inside)}
    assert len(cited) > 15
    assert sorted((file, name) for file, name in cited if name not in told) == []


def test_every_number_in_the_code_stands_on_its_page_with_its_reason() -> None:
    script = load_script(DOCS / "make_constants.py")
    assert script.without_reason() == []
    assert read(DOCS / "constants.md") == script.page(), "python docs/make_constants.py"


def test_reasons_are_read_from_behind_a_number_or_above_it(tmp_path: Path) -> None:
    script = load_script(DOCS / "make_constants.py")
    module = tmp_path / "module.py"
    module.write_text(
        '# of both\nONE = 1.5\nTWO = (2, 3)\n\nTHREE = 3  # its own\n\nFOUR = 1 << 4  # noqa\nNAME = "x"\nlower = 3\n'
    )
    told = [(found.name, found.value, found.why) for found in script.constants_of(module)]
    assert told == [
        ("ONE", "1.5", "of both"),
        ("TWO", "(2, 3)", "of both"),
        ("THREE", "3", "its own"),
        ("FOUR", "1 << 4", ""),
    ]


def test_every_setting_has_unit_and_reason_and_stands_on_the_page() -> None:
    told, values = sections(DOCS / "settings.md"), load_settings()
    shipped = load_script(DOCS / "make_settings.py").shipped_settings()
    for section in Settings.model_fields:
        keys = type(getattr(values, section)).model_fields
        assert first_cells(told[f"`{section}`"]) == list(shipped[section])
        assert set(keys) == set(shipped[section])
        for key, entry in shipped[section].items():
            assert entry["unit"].strip(), (section, key)
            assert entry["reason"].strip(), (section, key)


def test_settings_shown_in_the_documents_are_settings() -> None:
    shown = 0
    for page in PAGES:
        for block in re.findall(r"```toml\n(.*?)```", read(page), re.DOTALL):
            for section, keys in tomllib.loads(block).items():
                if section in ("causes", "checks") and all(isinstance(value, dict) for value in keys.values()):
                    table = load_causes()
                    assert set(keys) <= {*table.causes, *table.checks}, block
                else:
                    assert set(keys) <= set(type(getattr(load_settings(), section)).model_fields), block
                shown += 1
    assert shown >= 2


# -------------------------------------------------------------------------------------------------------- commands


def options_of(command: click.Command) -> set[str]:
    return {name for p in command.params if isinstance(p, click.Option) for name in p.opts if name.startswith("--")}


@pytest.mark.parametrize("name", sorted(main.commands))
def test_every_command_and_option_is_told(name: str) -> None:
    command = main.commands[name]
    mine = [text for head, text in sections(DOCS / "commands.md").items() if re.match(rf"`farmwatch {name}\b", head)]
    assert len(mine) == 1, f"docs/commands.md needs one section of {name}"
    assert options_of(command) == set(re.findall(r"--[a-z-]+", mine[0])) - {"--help"}
    for param in command.params:
        if isinstance(param.type, click.Choice):
            assert all(str(choice) in mine[0] for choice in param.type.choices), param.name
    assert f"| `farmwatch {name}" in read(ROOT / "README.md"), f"README.md: the table of commands lacks {name}"
    assert (command.help or "").strip().endswith(".")
    assert all(p.help and p.help.strip().endswith(".") for p in command.params if isinstance(p, click.Option))


def test_the_list_of_commands_cuts_no_sentence_short() -> None:
    listed = CliRunner().invoke(main, ["--help"]).output.split("Commands:")[1]
    assert "..." not in listed
    assert all(re.search(rf"^  {name} +[A-Z].*\.$", listed, re.MULTILINE) for name in main.commands)


def test_no_command_is_told_that_there_is_not() -> None:
    headed = re.findall(r"^## `farmwatch ([a-z]+)", read(DOCS / "commands.md"), re.MULTILINE)
    listed = re.findall(r"^\| `farmwatch ([a-z]+)", read(ROOT / "README.md"), re.MULTILINE)
    assert set(headed) == set(listed) == set(main.commands)


def shell_lines(text: str) -> Iterator[str]:
    """Lines of indented blocks and of fenced blocks without a language or of the shell, ``$`` and output left out."""
    fence = None
    for line in text.splitlines():
        if line.startswith("```"):
            fence = None if fence is not None else line[3:].strip()
        elif fence in ("sh", "console", "") or (fence is None and line.startswith("    ")):
            yield line.strip().removeprefix("$ ")


def calls(line: str) -> Iterator[list[str]]:
    """The simple commands of one line of shell; five fields of a cron line before it are left out."""
    try:
        words = shlex.split(line, comments=True)
    except ValueError:
        return
    if len(words) > 5 and all(re.fullmatch(r"[\d*/,-]+", word) for word in words[:5]):
        words = words[5:]
    call: list[str] = []
    for word in [*words, ";"]:
        if word in (";", "&&", "||", "|", ">", ">>"):
            if call:
                yield call
            call = []
        else:
            call.append(word)


def trouble_of(call: list[str], whole: bool = True) -> str | None:
    """What is wrong with a command of ours; None where nothing is, or where it is none of ours.

    ``whole``: also whether arguments and options that it needs are there.
    """
    program, *words = call
    if program.rsplit("/", 1)[-1] == "farmwatch":
        if not words or words[0].startswith("-"):
            known = {"--help", "-h", "--version"}
            return None if set(words) <= known else f"unknown option of farmwatch: {words}"
        if words[0] in STAND_INS:
            return None
        command = main.commands.get(words[0])
        if command is None:
            return f"unknown command: {words[0]}"
        if set(words[1:]) & {"--help", "-h"}:
            return None
        try:
            given, left, _ = command.make_parser(click.Context(command)).parse_args(list(words[1:]))
        except click.UsageError as error:
            return error.format_message()
        if left:
            return f"too many arguments: {left}"
        needed = [param for param in command.params if param.required]
        lacking = [param.name for param in needed if not isinstance(given.get(str(param.name)), str)]
        return f"lacks {lacking}" if whole and lacking else None
    if program == "make":
        targets = set(re.findall(r"^([a-z]+):", read(ROOT / "Makefile"), re.MULTILINE))
        unknown = [word for word in words if "=" not in word and word not in targets]
        return f"unknown target of make: {unknown}" if unknown else None
    if program.startswith("python") and words[:1] == ["-m"]:
        return None if importlib.util.find_spec(words[1]) else f"no module {words[1]}"
    if program.startswith("python") and words[:1] and words[0].endswith(".py"):
        return None if (ROOT / words[0]).exists() else f"no script {words[0]}"
    return None


def is_ours(call: list[str]) -> bool:
    return call[0].rsplit("/", 1)[-1] in ("farmwatch", "make") or call[0].startswith("python")


@pytest.mark.parametrize("page", PAGES, ids=name_of)
def test_shell_commands_shown_are_commands(page: Path) -> None:
    shown = [call for line in shell_lines(read(page)) for call in calls(line) if is_ours(call)]
    for call in shown:
        assert trouble_of(call) is None, f"{name_of(page)}: {shlex.join(call)}: {trouble_of(call)}"
    if page.name in ("README.md", "tutorial.md") and page.parent != ROOT / "data_samples":
        assert len(shown) >= 5


@pytest.mark.parametrize("page", PAGES, ids=name_of)
def test_commands_named_in_the_text_are_commands(page: Path) -> None:
    text = re.sub(r"```.*?```", "", read(page), flags=re.DOTALL)
    for code in re.findall(r"`((?:farmwatch|make|python) [^`]+)`", text):
        words = code.replace("[", "").replace("]...", "").replace("]", "").split("\n")
        for call in calls(" ".join(words)):
            assert trouble_of(call, whole=False) is None, f"{name_of(page)}: {code}: {trouble_of(call, whole=False)}"


def test_what_is_wrong_in_a_command_is_seen() -> None:
    for line, said in {
        "farmwatch nightyl": "unknown command",
        "farmwatch nightly --as_of 2031-04-02": "No such option",
        "farmwatch replay --from 2031-04-02": "lacks",
        "farmwatch explain": "lacks",
        "cd x && farmwatch init a b": "too many arguments",
        "*/5 * * * * /x/farmwatch deu": "unknown command",
        "make tets": "unknown target",
        "python docs/make_nothing.py": "no script",
        "python -m farmwatch.nothing": "no module",
    }.items():
        troubles = [trouble for call in calls(line) if (trouble := trouble_of(call)) is not None]
        assert len(troubles) == 1, line
        assert said in troubles[0], line


# ----------------------------------------------------------------------------------------------------------- links


def anchors(page: Path) -> set[str]:
    heads = re.findall(r"^#+ (.+)$", read(page), re.MULTILINE)
    return {re.sub(r"[^\w\- ]", "", head.lower()).replace(" ", "-") for head in heads}


@pytest.mark.parametrize("page", PAGES, ids=name_of)
def test_every_link_points_to_something(page: Path) -> None:
    for target in re.findall(r"\]\(([^)\s]+)\)", read(page)):
        if target.startswith(("https://", "http://")):
            continue
        path, _, fragment = target.partition("#")
        goal = (page.parent / path).resolve() if path else page
        assert goal.exists(), f"{name_of(page)}: {target}"
        if fragment:
            assert fragment in anchors(goal), f"{name_of(page)}: {target}"


def test_the_readme_leads_to_every_page() -> None:
    targets = {(ROOT / path).resolve() for path in re.findall(r"\]\(([^)#\s]+)", read(ROOT / "README.md"))}
    for page in DOCS.rglob("*.md"):
        assert page in targets or (page.parent in targets and page.parent != DOCS), name_of(page)


@pytest.mark.parametrize("page", PAGES, ids=name_of)
def test_every_file_named_exists(page: Path) -> None:
    for name in re.findall(r"`((?:[\w.-]+/)+[\w.-]+\.(?:py|md|toml|ipynb))`", read(page)):
        if name.startswith(("workshop/", "demo-farm/")):
            continue  # of a reader's farm
        if not {"YYYY", *STAND_INS} & set(re.split(r"[^A-Z]+", name)):
            near = [ROOT / name, ROOT / "farmwatch" / name, page.parent / name, DOCS / name]
            assert any(path.exists() for path in near), f"{name_of(page)}: {name}"


def test_every_function_named_for_developers_exists() -> None:
    modules: dict[str, list[str]] = {}
    for path in (ROOT / "farmwatch").rglob("*.py"):
        parts = path.relative_to(ROOT).with_suffix("").parts
        for length in range(1, len(parts)):
            modules.setdefault(".".join(parts[-length:]), []).append(".".join(parts))
    named = 0
    for name in re.findall(r"`([a-z_]+(?:\.[A-Za-z_]+)+)`", read(ROOT / "DEVELOPERS.md")):
        homes = [(home, stem) for stem, found in modules.items() for home in found if name.startswith(f"{stem}.")]
        if not homes or name.endswith((".py", ".toml", ".md")):
            continue
        named += 1
        assert any(_has(importlib.import_module(home), name[len(stem) + 1 :]) for home, stem in homes), name
    assert named >= 20


def _has(thing: object, path: str) -> bool:
    for part in path.split("."):
        if not hasattr(thing, part) and part not in getattr(thing, "__dataclass_fields__", {}):
            return False
        thing = getattr(thing, part, None)
    return True


@pytest.mark.parametrize("page", PAGES, ids=name_of)
def test_lines_are_plain(page: Path) -> None:
    text = read(page)
    assert "\t" not in text
    assert not re.search("[\U0001f300-\U0001faff\u2600-\u27bf]", text), "no pictographs"


def test_pictures_are_small_and_used() -> None:
    pages = "".join(read(page) for page in PAGES)
    pictures = sorted((DOCS / "pictures").iterdir())
    assert pictures
    for picture in pictures:
        assert picture.stat().st_size < 200 * 1024, picture.name
        assert re.search(rf"\]\((docs/)?pictures/{re.escape(picture.name)}\)", pages), picture.name


def test_every_benchmark_is_named_for_developers() -> None:
    page = read(ROOT / "DEVELOPERS.md")
    for script in (ROOT / "benchmarks").glob("*.py"):
        assert f"`benchmarks/{script.name}`" in page, script.name
