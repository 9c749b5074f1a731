"""The lexicon: its notation, a maker's own words, and what it refuses."""

import pytest

from pooleye.audit.claims import STATES
from pooleye.audit.lexicon import expand, inflections, load_lexicon
from pooleye.audit.reading import read_note
from pooleye.errors import PooleyeError


def test_notation():
    groups = {"edge": ["wall", "rim"]}
    assert set(expand("touch the <edge>", groups)) == {("touch", "the", "wall"), ("touch", "the", "rim")}
    assert set(expand("(very) hot|warm", {})) == {("very", "hot"), ("very", "warm"), ("hot",), ("warm",)}
    assert {"flicker", "flickers", "flickered", "flickering"} <= inflections("flicker")
    assert {"smoke", "smoked", "smoking"} <= inflections("smoke")


def test_every_state_of_the_contract_can_be_said():
    lexicon = load_lexicon()
    senses = {sense for found in (*lexicon.phrases.values(),) for sense in found}
    senses |= {c.meaning for table in lexicon.compounds.values() for c in table}
    sayable = {(s.name, s.state) for s in senses if s.kind in ("phrase", "word")}
    graded = {"hang-up", "tunnelling", "soot", "smoke"}
    missing = [
        (q, s) for q, all_states in STATES.items() if q not in graded for s in all_states if (q, s) not in sayable
    ]
    assert missing == []


def test_maker_adds_words(tmp_path):
    own = tmp_path / "words.toml"
    own.write_text('[quantities.soot]\npresence = ["smutch"]\n[quantities.hot-throw.words]\nstrong = ["whiffy"]\n')
    claims = read_note("smutch on the rim, throw whiffy", load_lexicon(own)).claims
    assert [(c.quantity, c.state) for c in claims] == [("soot", None), ("hot-throw", "strong")]
    assert read_note("smutch on the rim").claims == ()


@pytest.mark.parametrize(
    ("text", "complaint"),
    [
        ("[quantities.sparkle]\npresence = ['x']", "unknown quantity"),
        ("[quantities.soot.words]\nloads = ['x']", "no state"),
        ("[quantities.soot.wordz]\nheavy = ['x']", "wordz"),
        ("[wordz]\nx = ['y']", "unknown table"),
        ("[quantities.soot]\npresence = 'x'", "list of phrases"),
        ("not toml", "cannot be read"),
    ],
)
def test_malformed_file_is_refused_with_the_reason(tmp_path, text, complaint):
    own = tmp_path / "words.toml"
    own.write_text(text)
    with pytest.raises(PooleyeError, match=complaint) as caught:
        load_lexicon(own)
    assert caught.value.hint
