"""Who may in: a code shown on the computer, typed once on each phone; then a cookie that only this page can read."""

from __future__ import annotations

import hashlib
import hmac
import json
import os
import secrets
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

CODE_DIGITS = 8
# Five tries a code; then a new code and a pause that doubles. At the longest pause that is 480 tries a day against
# 10^8 codes: a year of guessing finds one with less than 0.2 %.
TRIES = 5
FIRST_PAUSE_S, LONGEST_PAUSE_S = 60.0, 900.0
COOKIE = "pooleye_device"
COOKIE_DAYS = 180
MOST_DEVICES = 50
FILE_NAME = "phones.json"


@dataclass(frozen=True)
class Device:
    """A paired phone. ``who``: the name that stands beside its notes, if one was given."""

    key: str
    who: str | None
    paired_at: float

    def fresh(self, now: float) -> bool:
        """Whether the pairing still holds."""
        return now - self.paired_at < COOKIE_DAYS * 86400


@dataclass(frozen=True)
class Answer:
    """What a try at the code got: a token when it was right, else why not and for how long to wait."""

    token: str | None = None
    wait_s: float = 0.0
    tries_left: int = 0


def _key_of(token: str) -> str:
    """Tokens are kept as hashes only: whoever reads the file cannot pass for a phone."""
    return hashlib.sha256(token.encode()).hexdigest()


@dataclass
class Pairing:
    """The present code and the paired phones; kept in ``file`` unless that is None (then only until the end).

    ``announce`` is told each new code, to show it on the computer.
    """

    file: Path | None = None
    announce: Callable[[str], None] = lambda _code: None
    clock: Callable[[], float] = time.time
    code: str = ""
    _wrong: int = 0
    _pause_s: float = FIRST_PAUSE_S
    _closed_until: float = 0.0
    _devices: dict[str, Device] = field(default_factory=dict)
    _lock: threading.Lock = field(default_factory=threading.Lock, repr=False)

    def __post_init__(self) -> None:
        self._devices = self._read()
        self._new_code()

    def _new_code(self) -> None:
        self.code = "".join(secrets.choice("0123456789") for _ in range(CODE_DIGITS))
        self._wrong = 0
        self.announce(self.code)

    def try_code(self, typed: str, who: str | None = None) -> Answer:
        """A token for the right code, which is then used up. Wrong ones are counted over all phones together."""
        with self._lock:
            if (wait := self._closed_until - self.clock()) > 0:
                return Answer(wait_s=wait)
            digits = "".join(one for one in typed if one.isdigit() and one.isascii())
            if not hmac.compare_digest(digits, self.code):
                return self._wrong_code()
            self._pause_s = FIRST_PAUSE_S
            token = secrets.token_urlsafe(32)
            device = Device(_key_of(token), who, self.clock())
            self._devices[device.key] = device
            self._write()
            self._new_code()
            return Answer(token)

    def _wrong_code(self) -> Answer:
        self._wrong += 1
        if self._wrong < TRIES:
            return Answer(tries_left=TRIES - self._wrong)
        self._closed_until = self.clock() + self._pause_s
        answer = Answer(wait_s=self._pause_s)
        self._pause_s = min(2 * self._pause_s, LONGEST_PAUSE_S)
        self._new_code()
        return answer

    def device(self, token: str | None) -> Device | None:
        """The paired phone with this token."""
        if not token:
            return None
        found = self._devices.get(_key_of(token))
        return found if found is not None and found.fresh(self.clock()) else None

    def forget_all(self) -> int:
        """Unpair every phone; returns how many there were."""
        with self._lock:
            count = len(self._devices)
            self._devices = {}
            self._write()
            return count

    def _read(self) -> dict[str, Device]:
        if self.file is None or not self.file.is_file():
            return {}
        try:
            rows: list[dict[str, Any]] = json.loads(self.file.read_text("utf-8"))
            found = [Device(str(one["key"]), one["who"], float(one["paired_at"])) for one in rows]
        except (OSError, ValueError, KeyError, TypeError):
            return {}  # a spoilt file unpairs the phones; the code pairs them again
        return {one.key: one for one in found if one.fresh(self.clock())}

    def _write(self) -> None:
        newest = sorted(self._devices.values(), key=lambda one: one.paired_at)[-MOST_DEVICES:]
        self._devices = {one.key: one for one in newest}
        if self.file is None:
            return
        rows = [{"key": one.key, "who": one.who, "paired_at": one.paired_at} for one in newest]
        temporary = self.file.with_name(f".{self.file.name}.new")
        handle = os.open(temporary, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o600)
        with os.fdopen(handle, "w", encoding="utf-8") as out:
            json.dump(rows, out)
        temporary.replace(self.file)
