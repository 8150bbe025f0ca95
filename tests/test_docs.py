"""The documentation says what the code does: every command, option, flag, column and finding is in it; it builds unwarned."""

from __future__ import annotations

import ast
import importlib.util
import re
import shlex
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from types import ModuleType

import click
import pytest
from pydantic import BaseModel

from frametally.assess.cautions import CAUTIONS
from frametally.cli.main import cli
from frametally.errors import EXIT_MEANING
from frametally.model import FLAG_MEANING, Calibration, Flag, Manifest, Method, Trial

PAGES = ("README.md", "DEVELOPERS.md", "docs/*.md")
FENCE = re.compile(r"^```(\w*)\n(.*?)^```", re.DOTALL | re.MULTILINE)
LINK = re.compile(r"\]\(([^)#\s]+)(#[^)\s]*)?\)")
FETCHED = re.compile(r"""<(?:script|img|link|iframe|source)\b[^>]*?(?:src|href)=["']([^"']+)""")


def _pages(repository: Path) -> list[Path]:
    return [page for pattern in PAGES for page in sorted(repository.glob(pattern))]


def _load(path: Path) -> ModuleType:
    spec = importlib.util.spec_from_file_location(path.stem, path)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def _headings(page: Path) -> set[str]:
    """What stands in code signs in the headings of a page."""
    lines = [line for line in page.read_text(encoding="utf-8").splitlines() if re.match(r"##+ `", line)]
    return {word for line in lines for word in re.findall(r"`([^`]+)`", line)}


# --- generated ----------------------------------------------------------------------------------------------------------


def test_the_reference_is_what_the_code_gives(repository: Path) -> None:
    made = _load(repository / "docs" / "make_reference.py").make_reference()

    assert (repository / "docs" / "reference.md").read_text(encoding="utf-8") == made, "run: python docs/make_reference.py"


def test_the_reference_has_every_command_and_option_and_exit_code(repository: Path) -> None:
    text = (repository / "docs" / "reference.md").read_text(encoding="utf-8")

    for name, command in cli.commands.items():
        section = text.split(f"### frametally {name}\n", 1)[1].split("\n### ", 1)[0]
        for param in command.params:
            for option in (*param.opts, *param.secondary_opts) if param.param_type_name == "option" else ():
                assert f"`{option}" in section, f"{name} {option}"
    for code, meaning in EXIT_MEANING.items():
        assert f"| `{code.value}` | {meaning} |" in text


def test_the_benchmarks_figures_get_into_the_pages_as_they_stand(repository: Path) -> None:
    hooks = _load(repository / "docs" / "hooks.py")
    results = (repository / "benchmarks" / "RESULTS.md").read_text(encoding="utf-8")

    page = hooks.on_page_markdown((repository / "docs" / "accuracy.md").read_text(encoding="utf-8"))

    rows = [line for line in results.splitlines() if line.startswith("|")]
    assert rows
    assert set(rows) <= set(page.splitlines())


# --- findings and flags -------------------------------------------------------------------------------------------------


def _slugs(tree: ast.AST) -> Iterator[ast.expr]:
    """The first argument, or `slug`, of every call of Finding."""
    for node in ast.walk(tree):
        if isinstance(node, ast.Call) and isinstance(node.func, ast.Name) and node.func.id == "Finding":
            named = [keyword.value for keyword in node.keywords if keyword.arg == "slug"]
            yield (named or node.args)[0]


def _known_slugs(repository: Path) -> set[str]:
    known = {slug for slug, _, _ in CAUTIONS}
    sources = repository / "src" / "frametally"
    for path in (*sorted((sources / "assess").glob("*.py")), sources / "notices.py", sources / "marks.py"):
        for slug in _slugs(ast.parse(path.read_text(encoding="utf-8"))):
            branches = [slug.body, slug.orelse] if isinstance(slug, ast.IfExp) else [slug]
            for branch in branches:
                if path.name == "cautions.py" and isinstance(branch, ast.Name):
                    continue  # those of CAUTIONS
                assert isinstance(branch, ast.Constant), f"{path.name}, line {slug.lineno}: a slug not plain from the code"
                known.add(str(branch.value))
    return known


def test_every_finding_is_explained_and_none_that_is_not_made(repository: Path) -> None:
    assert _headings(repository / "docs" / "findings.md") == _known_slugs(repository)


def test_every_flag_is_explained_in_the_words_of_the_code(repository: Path) -> None:
    page = repository / "docs" / "flags.md"
    sections = page.read_text(encoding="utf-8").split("\n## ")

    assert _headings(page) == {flag.value for flag in Flag}
    for flag, (meaning, _) in FLAG_MEANING.items():
        section = next(one for one in sections if one.startswith(f"`{flag.value}`\n"))
        assert meaning.rstrip(".") in " ".join(section.split()), flag


def _fields(model: type[BaseModel]) -> Iterator[str]:
    """The names of a file's lines, those of its tables included."""
    schema = model.model_json_schema()
    for part in (schema, *schema.get("$defs", {}).values()):
        yield from part.get("properties", {})


@pytest.mark.parametrize(
    ("model", "page"), [(Calibration, "files.md"), (Trial, "files.md"), (Method, "reference.md"), (Manifest, "nights.md")]
)
def test_every_line_of_a_users_file_is_documented(repository: Path, model: type[BaseModel], page: str) -> None:
    text = (repository / "docs" / page).read_text(encoding="utf-8")

    missing = [name for name in _fields(model) if not re.search(rf"(?<![a-z_]){name}(?![a-z_])", text)]
    assert missing == []


# --- what is written by hand ----------------------------------------------------------------------------------------------


def _typed(repository: Path) -> list[tuple[str, list[str]]]:
    """Every command line of ours in the shell blocks of the pages: the page, and its words."""
    found = []
    for page in _pages(repository):
        for language, block in FENCE.findall(page.read_text(encoding="utf-8")):
            if language != "sh":
                continue
            for line in block.replace("\\\n", " ").splitlines():
                words = shlex.split(line, comments=True)
                if words[:1] == ["frametally"]:
                    found.append((page.name, words[1:]))
    return found


def test_every_command_line_in_the_pages_can_be_typed(repository: Path) -> None:
    lines = _typed(repository)

    assert {words[0] for _, words in lines} >= set(cli.commands)
    for page, words in lines:
        command = cli.commands.get(words[0])
        assert command is not None or words == ["--help"], f"{page}: {words}"
        if command is not None:
            try:
                command.make_context(words[0], words[1:])
            except click.UsageError as error:
                pytest.fail(f"{page}: frametally {shlex.join(words)}: {error.format_message()}")


def test_the_readme_names_every_command_and_exit_code(repository: Path) -> None:
    text = (repository / "README.md").read_text(encoding="utf-8")

    for name in cli.commands:
        assert f"| `frametally {name} " in text or f"| `frametally {name}`" in text, name
    for code in EXIT_MEANING:
        assert re.search(rf"\b{code.value} ", text.split("Exit codes", 1)[1]), code


def test_every_link_between_the_pages_leads_somewhere(repository: Path) -> None:
    links = [(page, target) for page in _pages(repository) for target, _ in LINK.findall(page.read_text(encoding="utf-8"))]

    assert len(links) > 30
    for page, target in links:
        assert target.startswith(("https://", "mailto:")) or (page.parent / target).exists(), f"{page.name}: {target}"


def test_developers_table_has_every_room_and_every_module_of_the_ground(repository: Path) -> None:
    text = (repository / "DEVELOPERS.md").read_text(encoding="utf-8")
    package = repository / "src" / "frametally"

    named = set(re.findall(r"`([\w/]+?)(?:\.py)?/?`", text))
    rooms = {path.parent.name for path in package.glob("*/__init__.py")}
    ground = {path.stem for path in package.glob("*.py")} - {"__init__", "__main__"}
    assert sorted((rooms | ground) - named) == []


# --- the build --------------------------------------------------------------------------------------------------------------


def test_the_pages_build_without_warning_and_fetch_nothing_from_elsewhere(repository: Path, tmp_path: Path) -> None:
    pytest.importorskip("mkdocs", reason="mkdocs comes with the extra `test`")
    site = tmp_path / "site"

    built = subprocess.run(
        [sys.executable, "-m", "mkdocs", "build", "--strict", "--site-dir", str(site)],
        cwd=repository,
        capture_output=True,
        text=True,
    )

    assert built.returncode == 0, built.stderr
    pages = sorted(site.glob("*.html"))
    assert len(pages) >= len(list((repository / "docs").glob("*.md")))
    for page in pages:
        fetched = FETCHED.findall(page.read_text(encoding="utf-8"))
        assert [address for address in fetched if re.match(r"(https?:)?//", address)] == [], page.name
