"""A second writer for the tests: enters weighings and notes of one candle through the log's own functions.

python writer.py FOLDER CODE COUNT
"""

from __future__ import annotations

import sys
from datetime import UTC, datetime, timedelta
from pathlib import Path

from pooleye.burnlog.looks import note
from pooleye.burnlog.store import open_workspace, with_clock

START = datetime(2026, 3, 1, 18, 0, tzinfo=UTC)


def main() -> None:
    """Write, one transaction each."""
    root, code, count = Path(sys.argv[1]), sys.argv[2], int(sys.argv[3])
    workspace = with_clock(open_workspace(root), START + timedelta(minutes=30))
    print("ready", flush=True)
    sys.stdin.readline()
    for number in range(count):
        note(workspace, code, f"{code} look {number}")
    workspace.close()


if __name__ == "__main__":
    main()
