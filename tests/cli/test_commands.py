"""What every command must have, and what starting one may load."""

from __future__ import annotations

import subprocess
import sys

import pytest

HEAVY = (
    "PIL", "alembic", "av", "cv2", "icalendar", "jinja2", "matplotlib", "numpy", "openpyxl", "pint", "rapidfuzz",
    "reportlab", "rich", "scipy", "segno", "skimage", "spellchecker", "sqlalchemy", "starlette", "uvicorn", "zxingcpp",
)  # fmt: skip


def modules_after(code: str) -> set[str]:
    """Top-level modules loaded in a fresh interpreter after running `code`."""
    ask = (
        f"{code}\nimport sys; print('\\n'.join(sorted({{m.partition('.')[0] for m in sys.modules}})), file=sys.stderr)"
    )
    done = subprocess.run([sys.executable, "-c", ask], capture_output=True, text=True, check=True)
    return set(done.stderr.split())


@pytest.mark.parametrize("arguments", [["--help"], ["measure", "--help"], ["flags"]])
def test_help_starts_without_loading_anything_heavy(arguments):
    code = (
        f"import sys; sys.argv = ['pooleye', *{arguments!r}]\n"
        "from pooleye.cli.app import main\n"
        "try: main()\nexcept SystemExit: pass"
    )
    assert modules_after(code).isdisjoint(HEAVY)


def test_every_command_says_what_it_does_in_a_sentence(command):
    from pooleye.cli.app import app

    for registered in app.registered_commands:
        assert registered.callback is not None
        assert (registered.callback.__doc__ or "").strip().partition("\n")[0].endswith("."), registered.name


def test_help_names_the_commands_and_the_caution(command):
    status, out, _ = command("--help")
    assert status == 0
    for words in ("measure", "flags", "demo", "Never leave a burning candle alone"):
        assert words in out


def test_the_help_of_measure_is_the_contract(command, approved):
    status, out, _ = command("measure", "--help")
    assert status == 0
    for option in ("--view", "--rim-inner", "--rim-outer", "--base-inner", "--vessel-height", "--headspace"):
        assert option in out
    for option in ("--baseline", "--baseline-headspace", "--json", "--overlay"):
        assert option in out


def test_flags_lists_every_flag_and_reason(command):
    from pooleye.flags import FLAGS, REASONS

    _, out, _ = command("flags")
    assert all(name in out for name in (*FLAGS, *REASONS))


def test_the_module_runs_as_the_command():
    done = subprocess.run([sys.executable, "-m", "pooleye", "--help"], capture_output=True, text=True, check=True)
    assert "measure" in done.stdout
