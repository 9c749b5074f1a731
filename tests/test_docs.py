"""The docs say what is so: links lead somewhere, commands can be given, nothing that a maker meets is left out."""

from __future__ import annotations

import importlib.util
import re
import shlex
import tomllib
from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, datetime
from functools import cache
from pathlib import Path
from typing import Any

import pytest
from markdown_it import MarkdownIt
from markdown_it.token import Token

ROOT = Path(__file__).parents[1]
PAGES = sorted(
    [*ROOT.glob("*.md"), *ROOT.glob("docs/**/*.md"), *ROOT.glob("sample_images/*.md"), *ROOT.glob("tests/**/*.md")]
)
MOST_PICTURE_BYTES = 300_000
of_every_page = pytest.mark.parametrize("page", PAGES, ids=lambda page: page.relative_to(ROOT).as_posix())


@cache
def tokens(page: Path) -> list[Token]:
    return MarkdownIt("commonmark").enable("table").parse(page.read_text(encoding="utf-8"))


def inline(page: Path, kind: str) -> Iterator[Token]:
    for token in tokens(page):
        yield from (one for one in token.children or () if one.type == kind)


def words_of(token: Token) -> str:
    return "".join(one.content for one in token.children or () if one.type in ("text", "code_inline", "softbreak"))


@cache
def anchors(page: Path) -> set[str]:
    """Names of the headings, as the usual renderers make them: small letters, no signs, hyphens for spaces."""
    found: list[str] = []
    for before, token in zip(tokens(page), tokens(page)[1:], strict=False):
        if before.type == "heading_open":
            found.append(re.sub(r"[^\w\- ]", "", words_of(token).lower()).replace(" ", "-"))
    return {f"{one}-{found[:place].count(one)}" if one in found[:place] else one for place, one in enumerate(found)}


# --- links and pictures --------------------------------------------------------------------------------------------


@of_every_page
def test_links_and_their_anchors_lead_somewhere(page: Path) -> None:
    for token in inline(page, "link_open"):
        target = str(token.attrs["href"])
        if target.startswith("https://"):
            continue
        path, _, anchor = target.partition("#")
        there = (page.parent / path).resolve() if path else page
        assert there.exists(), target
        assert there.is_relative_to(ROOT), target
        if anchor:
            assert anchor in anchors(there), target


@of_every_page
def test_pictures_are_there_small_and_told_in_words(page: Path) -> None:
    for token in inline(page, "image"):
        picture = page.parent / str(token.attrs["src"])
        assert picture.is_file(), picture
        assert picture.stat().st_size <= MOST_PICTURE_BYTES, picture
        assert token.content.strip(), f"{picture} has no words for those who cannot see it"


def test_every_picture_is_used_and_can_be_made_again() -> None:
    used = {(page.parent / str(token.attrs["src"])).resolve() for page in PAGES for token in inline(page, "image")}
    spec = importlib.util.spec_from_file_location("make_pictures", ROOT / "docs" / "pictures" / "make.py")
    assert spec is not None
    assert spec.loader is not None
    script = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(script)
    pictures = set((ROOT / "docs" / "pictures").glob("*.jpg"))
    assert pictures == {script.HERE / name for name in script.PICTURES}
    assert pictures <= used
    assert all((script.PHOTOS / photo).is_file() for _, photo, _ in script.PICTURES.values())


def test_every_page_can_be_reached_from_the_readme() -> None:
    reached, left = set(), [ROOT / "README.md"]
    while left:
        page = left.pop()
        if page in reached:
            continue
        reached.add(page)
        links = [str(token.attrs["href"]).partition("#")[0] for token in inline(page, "link_open")]
        left += [to for link in links if (to := (page.parent / link).resolve()) in PAGES]
    assert {one for one in PAGES if one.is_relative_to(ROOT / "docs")} <= reached


# --- commands and code in the docs ---------------------------------------------------------------------------------


@cache
def known_commands() -> dict[tuple[str, ...], Any]:
    from pooleye.cli.commands_page import all_commands

    return {tuple(words.split()): command for words, command, _ in all_commands()}


def code_lines(page: Path) -> list[str]:
    """Lines of code blocks, those that go on after a backslash put together."""
    blocks = [one.content for one in tokens(page) if one.type in ("code_block", "fence")]
    return [line.strip() for block in blocks for line in block.replace("\\\n", " ").splitlines()]


def called(line: str) -> list[str]:
    """The words of a call of pooleye, however it is called; empty for any other line."""
    line = re.sub(r"^(\.venv/bin/|python -m )?pooleye(?= |$)", "pooleye", line)
    line = re.split(r" [<>|] ", line)[0]
    return shlex.split(line, comments=True) if re.match(r"pooleye [a-z]", line) else []


def command_and_rest(words: list[str]) -> tuple[Any, list[str]]:
    for length in (3, 2):
        if command := known_commands().get(tuple(words[:length])):
            return command, words[length:]
    raise AssertionError(f"there is no command: {' '.join(words)}")


def options_of(command: Any) -> set[str]:
    return {name for one in command.params for name in (*one.opts, *one.secondary_opts) if name.startswith("-")}


@of_every_page
def test_every_call_in_a_code_block_can_be_given_as_it_stands(page: Path) -> None:
    """Parsed by the commands themselves: names, options, what is needed, kinds of values; nothing is run."""
    if page.name == "commands.md":  # its lines are patterns, made from the commands
        return
    for line in code_lines(page):
        if words := called(line):
            command, rest = command_and_rest(words)
            try:
                command.make_context(words[1], rest)
            except Exception as error:
                pytest.fail(f"{line}: {error}")


@of_every_page
def test_calls_within_sentences_name_commands_and_options_that_exist(page: Path) -> None:
    groups = {words[:-1] for words in known_commands() if len(words) > 2}
    for token in inline(page, "code_inline"):
        words = called(token.content.replace("\n", " "))
        if not words or tuple(words) in groups or words[1:] == ["COMMAND", "--help"]:
            continue
        command, rest = command_and_rest(words)
        given = {word.partition("=")[0] for word in rest if re.match(r"--?[a-z]", word)}
        assert given <= options_of(command) | {"--help"}, token.content


def module_exists(name: str) -> bool:
    """Here, among the scripts of the sample photos, or installed."""
    file = Path(*name.split(".")).with_suffix(".py")
    here = any((ROOT / folder / file).is_file() for folder in ("", "sample_images"))
    return here or ("." not in name and importlib.util.find_spec(name) is not None)


@of_every_page
def test_scripts_and_modules_in_code_exist(page: Path) -> None:
    for line in [*code_lines(page), *(token.content for token in inline(page, "code_inline"))]:
        if match := re.match(r"(?:\.venv/bin/)?python (?:-m (?P<module>[\w.]+)|(?P<script>[\w/]+\.py))", line):
            if match["module"]:
                assert module_exists(match["module"]), line
            else:
                assert (ROOT / match["script"]).is_file(), line


@of_every_page
def test_python_and_toml_in_the_docs_can_be_read(page: Path) -> None:
    for token in tokens(page):
        if token.type == "fence" and token.info == "python":
            compile(token.content, page.name, "exec")
        if token.type == "fence" and token.info == "toml":
            tomllib.loads(token.content)


# --- the first evening, as a newcomer would do it ------------------------------------------------------------------

# Photos that the page speaks of: which of the test photos stands for it, and when it was taken and sent.
EVENING_PHOTOS = {
    "new.jpg": ("d1_00_top.jpg", (9, 0)),
    "1h.jpg": ("d1_01_top.jpg", (10, 1)),
    "2h.jpg": ("d1_02_top.jpg", (11, 1)),
    "side.jpg": ("d1_02_side.jpg", (11, 2)),
    "after.jpg": ("d1_03_top.jpg", (12, 1)),
}
EVENING_HOURS = {"light": (9, 1), "snuff": (12, 0)}


def test_the_first_evening_goes_as_the_page_says(
    photos: Path, outside: Path, command: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Every command of the page, in its order, on photos of one candle over a burn of three hours."""
    from pooleye.burnlog import store

    now = [datetime(2026, 2, 14, 8, 55, tzinfo=UTC)]
    opened = store.open_workspace
    monkeypatch.setattr(store, "open_workspace", lambda *a, **k: replace(opened(*a, **k), clock=lambda: now[0]))
    monkeypatch.setenv("TZ", "+00:00")
    monkeypatch.delenv("POOLEYE_WORKSPACE", raising=False)
    told: dict[str, str] = {}
    for line in code_lines(ROOT / "docs" / "first-evening.md"):
        words = shlex.split(line)
        if words[0] == "cd":
            monkeypatch.chdir(words[1])
            continue
        for name in EVENING_PHOTOS.keys() & set(words):
            stands_in, hour = EVENING_PHOTOS[name]
            # the camera's clock is turned to the page's day
            Path(name).write_bytes((photos / stands_in).read_bytes().replace(b"2031:02:14", b"2026:02:14"))
            now[0] = datetime(2026, 2, 14, *hour, tzinfo=UTC)
        if words[1] in EVENING_HOURS:
            now[0] = datetime(2026, 2, 14, *EVENING_HOURS[words[1]], tzinfo=UTC)
        if line == "pooleye weigh MAKX 497.1g":
            now[0] = datetime(2026, 2, 15, 8, 0, tzinfo=UTC)
        status, told[line], err = command(*words[1:])
        assert status == 0, f"{line}: {err}"
    assert "MAKX, 4AYJ, HCC3" in next(out for line, out in told.items() if " pour " in line)
    assert "melt pool diameter" in told["pooleye snap after.jpg --candle MAKX"]
    assert "flame height" in told["pooleye snap side.jpg"]
    assert "burn 1" in told["pooleye judge MAKX"]
    assert "contradicts: MAKX burn 1 at 2 h 00" in told["pooleye audit MAKX"]


# --- nothing is left out -------------------------------------------------------------------------------------------


def _flags() -> str:
    from pooleye.flags import registry_as_markdown

    return registry_as_markdown()


def _criteria() -> str:
    from pooleye.judge.criteria import as_markdown, shipped

    return as_markdown(shipped())


def _data_model() -> str:
    from pooleye.burnlog.model_page import as_markdown

    return as_markdown()


def _commands() -> str:
    from pooleye.cli.commands_page import as_markdown

    return as_markdown()


def _schema() -> str:
    from pooleye.burnlog.export.schema import schema_text

    return schema_text()


MADE = {
    "flags.md": (_flags, "pooleye flags --markdown > docs/flags.md"),
    "criteria.md": (_criteria, "pooleye criteria --markdown > docs/criteria.md"),
    "data-model.md": (_data_model, "python -m pooleye.burnlog.model_page > docs/data-model.md"),
    "commands.md": (_commands, "python -m pooleye.cli.commands_page > docs/commands.md"),
    "log.schema.json": (_schema, "pooleye export schema --out docs/log.schema.json"),
}


@pytest.mark.parametrize("name", MADE)
def test_a_page_that_is_made_is_as_it_would_be_made_now(name: str) -> None:
    made, how = MADE[name]
    assert (ROOT / "docs" / name).read_text(encoding="utf-8") == made(), f"make it anew: {how}"


def test_the_developers_page_says_how_every_made_page_is_made() -> None:
    page = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    for _, how in MADE.values():
        assert how in page


def text(name: str) -> str:
    return (ROOT / name).read_text(encoding="utf-8")


def test_every_command_and_option_is_documented() -> None:
    page = text("docs/commands.md")
    for words, command in known_commands().items():
        section = page.split(f"## {' '.join(words)}\n", 1)[1].partition("\n## ")[0]
        for option in options_of(command) - {"--help"}:
            assert re.search(rf"`[^`]*{re.escape(option)}\b[^`]*`", section), f"{words} {option}"


def test_every_flag_reason_and_criterion_is_documented() -> None:
    from pooleye.flags import FLAGS, REASONS
    from pooleye.judge.criteria import shipped

    assert [name for name in (*FLAGS, *REASONS) if f"`{name}`" not in text("docs/flags.md")] == []
    assert [one.key for one in shipped() if f"`{one.key}`" not in text("docs/criteria.md")] == []


def test_every_setting_is_documented_with_its_first_value() -> None:
    from pooleye.burnlog.settings import Settings

    page = text("docs/burn-log.md")
    for name, value in vars(Settings()).items():
        row = re.search(rf"^\| `{name}` \| (.+) \| (.+) \|$", page, re.MULTILINE)
        assert row, f"docs/burn-log.md has no setting {name}"
        numbers = value if isinstance(value, tuple) else (value,)
        shown = [f"{one:g}" if isinstance(one, float) else str(one) or "empty" for one in numbers]
        assert name == "zone" or row[2] == ", ".join(shown)


def test_every_environment_variable_is_documented() -> None:
    pages = "".join(page.read_text(encoding="utf-8") for page in PAGES)
    for path in (ROOT / "pooleye").rglob("*.py"):
        for name in re.findall(r"\"(POOLEYE_[A-Z_]+)\"", path.read_text(encoding="utf-8")):
            assert name in pages, name


def test_every_quantity_is_explained_on_a_page_of_method() -> None:
    from pooleye.measurement import CLOCK_QUANTITIES, QUANTITIES

    pages = "".join(page.read_text(encoding="utf-8") for page in (ROOT / "docs").glob("method-*.md"))
    assert [name for name in (*QUANTITIES, *CLOCK_QUANTITIES) if name not in pages] == []


def test_every_dependency_has_its_reason() -> None:
    project = tomllib.loads(text("pyproject.toml"))["project"]
    optional = [one for group in project["optional-dependencies"].values() for one in group]
    page = text("docs/decisions.md")
    for needed in (*project["dependencies"], *optional):
        name = re.match(r"[\w-]+", needed)
        assert name, needed
        assert re.search(rf"\b{re.escape(name[0])}\b", page), name[0]


def test_continuous_integration_runs_the_readmes_own_commands() -> None:
    readme, run = text("README.md"), text(".ci/run")
    assert ".venv/bin/python -m pytest\n" in readme
    assert "\npython -m pytest\n" in run
    assert "pip install -e '.[test]'" in readme
    assert "-e '.[test]'" in run


def test_the_readme_gives_the_cautions() -> None:
    readme = " ".join(text("README.md").split())
    for words in (
        "Never leave a burning candle alone",
        "Never pour water",
        "certifies nothing",
        "accredited laboratory",
    ):
        assert words in readme
