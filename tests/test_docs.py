"""The docs say what is so: commands that exist, files that are there, one test command everywhere."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
PAGES = sorted([*ROOT.glob("*.md"), *(ROOT / "docs").glob("*.md")])


def commands(text: str) -> set[str]:
    """Names after `pooleye` in code: `pooleye measure …`, .venv/bin/pooleye demo."""
    code = re.findall(r"`([^`\n]+)`", text) + re.findall(r"^ {4,}(.+)$", text, re.MULTILINE)
    return {name for line in code for name in re.findall(r"(?:^|[\s/])pooleye ([a-z][a-z-]*)", line)}


@pytest.mark.parametrize("page", PAGES, ids=lambda page: page.name)
def test_links_lead_somewhere(page):
    for target in re.findall(r"\]\(([^)#:]+)(?:#[^)]*)?\)", page.read_text(encoding="utf-8")):
        assert (page.parent / target).exists(), target


@pytest.mark.parametrize("page", PAGES, ids=lambda page: page.name)
def test_commands_in_the_docs_exist(page):
    from pooleye.cli.app import app
    from pooleye.cli.lazy import FAMILIES

    known = {command.name for command in app.registered_commands} | {group.name for group in app.registered_groups}
    known |= {name for commands_ in FAMILIES.values() for name in commands_}
    assert commands(page.read_text(encoding="utf-8")) <= known


def test_continuous_integration_runs_the_readmes_own_commands():
    readme = (ROOT / "README.md").read_text(encoding="utf-8")
    run = (ROOT / ".ci" / "run").read_text(encoding="utf-8")
    assert ".venv/bin/python -m pytest\n" in readme
    assert "\npython -m pytest\n" in run
    assert "pip install -e '.[test]'" in readme
    assert "-e '.[test]'" in run


def test_the_readme_gives_the_cautions():
    readme = " ".join((ROOT / "README.md").read_text(encoding="utf-8").split())
    for words in (
        "Never leave a burning candle alone",
        "Never pour water",
        "certifies nothing",
        "accredited laboratory",
    ):
        assert words in readme
