"""Scene after scene, drawn from one seed after another: what every maker of pictures here runs."""

from __future__ import annotations

import argparse
import gc
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from typing import TypeVar

Made = TypeVar("Made")


def add_arguments(parser: argparse.ArgumentParser, spp: int, variant: str = "cuda_ad_rgb") -> None:
    parser.add_argument("first", type=int)
    parser.add_argument("count", type=int)
    parser.add_argument("out", type=Path)
    parser.add_argument("--variant", default=variant, help="of Mitsuba")
    parser.add_argument("--spp", type=int, default=spp, help="light paths a pixel")
    parser.add_argument("--seconds", type=float, default=1e9, help="stop after this long and keep what there is")


def each(a: argparse.Namespace, make: Callable[[int, Path], Made | None]) -> list[Made]:
    """What `make` gives for each seed and a scratch folder, without the scenes that it leaves out (None)."""
    import mitsuba as mi

    mi.set_variant(a.variant)
    started = time.monotonic()
    rows: list[Made] = []
    with tempfile.TemporaryDirectory() as scratch:
        for seed in range(a.first, a.first + a.count):
            if time.monotonic() - started > a.seconds:
                break
            try:
                made = make(seed, Path(scratch))
            except RuntimeError as error:  # one scene that the renderer refuses must not end the run
                print("seed", seed, str(error)[:200], flush=True)
                continue
            if made is not None:
                rows.append(made)
            gc.collect()  # scenes hold each other
    print(len(rows), "made in", round(time.monotonic() - started, 1), "s", flush=True)
    return rows
