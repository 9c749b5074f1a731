"""On photos with known truth: who says what is true is never contradicted, who says what is not nearly always."""

from __future__ import annotations

import importlib.util
import sys
from pathlib import Path

from pooleye import accuracy

_spec = importlib.util.spec_from_file_location("score_words", Path(__file__).parent / "score_words.py")
assert _spec is not None
score_words = importlib.util.module_from_spec(_spec)
sys.modules["score_words"] = score_words
assert _spec.loader is not None
_spec.loader.exec_module(score_words)

#: A clean and a sooty wall, a ring of wax and a full pool, two flames: a part of what the script goes through.
CHOSEN = ("d1_01_top.jpg", "d2_03_top.jpg", "d4_02_top.jpg", "d6_02_top.jpg", "d1_01_side.jpg", "d4_02_side.jpg")


def test_true_words_are_never_contradicted_and_wrong_ones_nearly_always():
    photos = accuracy.read_annotated(score_words.PHOTOS)
    shots = [shot for shot in score_words.burning(photos) if shot["file"] in CHOSEN]
    assert len(shots) == len(CHOSEN)
    told = list(score_words.verdicts(photos, shots))
    true = [one for one in told if one[2]]
    wrong = [one for one in told if not one[2]]
    assert len(true) >= 15
    assert [one for one in true if one[4] == "contradicts"] == []
    could_be_told = [one for one in wrong if one[4] != "cannot-tell"]
    assert len(could_be_told) >= 20
    assert sum(one[4] == "contradicts" for one in could_be_told) >= 0.9 * len(could_be_told)
