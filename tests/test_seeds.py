"""A run over many random scenes: what one of them does must not cost the others. A stand-in takes Mitsuba's place."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path
from types import SimpleNamespace

import pytest

sys.path.insert(0, str(Path(__file__).parents[1] / "sample_images"))

from studio import seeds


@pytest.fixture
def arguments(monkeypatch):
    monkeypatch.setitem(sys.modules, "mitsuba", SimpleNamespace(set_variant=lambda name: None))
    parser = argparse.ArgumentParser()
    seeds.add_arguments(parser, spp=8)
    return lambda *more: parser.parse_args(["40", "5", "out", *more])


def test_scenes_refused_or_left_out_do_not_end_the_run(arguments, capsys):
    def make(seed, scratch):
        assert scratch.is_dir()
        if seed == 41:
            raise RuntimeError("no such shape")
        return None if seed == 43 else seed

    assert seeds.each(arguments(), make) == [40, 42, 44]
    assert "seed 41 no such shape" in capsys.readouterr().out


def test_what_was_made_before_the_time_was_up_is_kept(arguments, monkeypatch):
    clock = iter(range(100))
    monkeypatch.setattr(seeds.time, "monotonic", lambda: float(next(clock)))
    assert seeds.each(arguments("--seconds", "2.5"), lambda seed, scratch: seed) == [40, 41]
