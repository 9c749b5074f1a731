"""The judge's rules know neither the log nor a database nor the command line; two files connect them."""

from __future__ import annotations

import pkgutil
import subprocess
import sys

import pooleye.judge

CONNECT = {"from_log", "service"}


def test_rules_load_no_database_and_no_command_line():
    found = [one.name for one in pkgutil.iter_modules(pooleye.judge.__path__) if one.name not in CONNECT]
    names = [f"pooleye.judge.{name}" for name in found]
    assert len(names) > 12
    code = (
        f"import importlib, sys\nfor name in {names!r}: importlib.import_module(name)\n"
        "bad = [m for m in sys.modules if m.partition('.')[0] in ('sqlalchemy', 'typer', 'cv2', 'scipy', 'numpy')"
        " or m.startswith(('pooleye.burnlog', 'pooleye.audit', 'pooleye.report', 'pooleye.cli'))]\n"
        "assert not bad, bad"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
