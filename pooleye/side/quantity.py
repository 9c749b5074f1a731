"""Quantities from NumPy numbers."""

from __future__ import annotations

from collections.abc import Mapping

from pooleye.measurement import Quantity


def quantity(value: float, unit: str, parts: Mapping[str, float]) -> Quantity:
    """`Quantity.from_parts` with plain floats, whatever kind of number comes in."""
    return Quantity.from_parts(float(value), unit, {name: float(part) for name, part in parts.items()})
