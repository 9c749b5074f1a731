"""What tests of the burn log's commands share: a stand-in for measuring, where a test is about what surrounds it."""

from __future__ import annotations

from typing import Any

import pytest


@pytest.fixture
def stand_in_measuring(monkeypatch: pytest.MonkeyPatch) -> None:
    """Every photo is "measured" at once, with a number, two flags and a stop."""
    from pooleye.measurement import PhotoResult, Quantity

    def measure_photo(path: Any, _vessel: Any, **_asked: Any) -> PhotoResult:
        return PhotoResult.measured(
            str(path),
            "top",
            method="stand-in/1",
            quantities={"pool_diameter": Quantity(58.31, 0.7, "mm"), "pool_coverage": Quantity(0.71, 0.02, "1")},
            flags=["focal-assumed", "pool-edge-hidden", "wick-adrift"],
        )

    monkeypatch.setattr("pooleye.measuring.measure_photo", measure_photo)
