"""Claims against measurements: agreement, contradiction, and when neither can be told."""

import math

import pytest

from pooleye.audit.claims import Claim
from pooleye.audit.compare import Measured, claimed_number, compare, load_scales
from pooleye.audit.reading import read_note
from pooleye.errors import PooleyeError


def only_claim(note):
    (claim,) = read_note(note).claims
    return claim


def mm(value, u=0.5):
    return Measured(value, u, "mm")


def ratio(value, u=0.01):
    return Measured(value, u, "1")


def test_number_within_its_own_rounding_agrees():
    found = compare(only_claim("pool 60 mm"), {"pool_diameter": mm(57.9, 0.7)})
    assert found.verdict == "agrees"
    assert (found.measured, found.value, found.u) == ("pool_diameter", 57.9, 0.7)


def test_gap_is_counted_in_combined_uncertainty():
    """GUM: note rounded to 1 mm (1/sqrt 12 = 0.289 mm) and photo u 0.4 mm combine in quadrature."""
    found = compare(only_claim("pool 52 mm"), {"pool_diameter": mm(57.0, 0.4)})
    assert found.verdict == "contradicts"
    assert found.gap_u == pytest.approx(5.0 / math.hypot(0.4, 1 / math.sqrt(12)))


def test_rectangular_rounding_equals_the_worked_weighing_example():
    """A scale with a step of 0.1 g has u = 0.1/sqrt(12), two weighings 0.0408 g (JCGM 100:2008, F.2.2.1)."""
    u = only_claim("flame 20.1 mm").value_u
    assert u * math.sqrt(2) == pytest.approx(0.0408, abs=5e-5)


def test_inches_are_compared_in_millimetres_with_the_fraction_as_step():
    kind, value, u = claimed_number(only_claim('melt pool 2 1/4" across'))
    assert (kind, value) == ("length", pytest.approx(57.15))
    assert u == pytest.approx(25.4 / 4 / math.sqrt(12))


def test_about_makes_a_number_looser():
    assert only_claim("pool about 52 mm").value_u == pytest.approx(2 * only_claim("pool 52 mm").value_u)


def test_range_is_rectangular_over_its_width():
    assert only_claim("pool 46 to 52 mm").value_u == pytest.approx(math.hypot(3 / math.sqrt(3), 1 / math.sqrt(12)))


def test_fahrenheit_meets_celsius():
    assert compare(only_claim("glass 140F"), {"vessel_temperature": Measured(60.0, 1.0, "C")}).verdict == "agrees"
    assert compare(only_claim("glass 140F"), {"vessel_temperature": Measured(72.0, 1.0, "C")}).verdict == "contradicts"


def test_clean_note_against_a_sooty_photo_contradicts():
    found = compare(only_claim("no soot"), {"soot_delta_L": Measured(-9.0, 0.8, "1")})
    assert found.verdict == "contradicts"
    assert found.gap_u < -4


def test_clean_note_against_a_rim_within_the_noise_agrees():
    assert compare(only_claim("no soot"), {"soot_delta_L": Measured(-1.5, 0.8, "1")}).verdict == "agrees"


def test_bare_presence_agrees_with_any_degree_and_contradicts_none():
    sooting = only_claim("sooting")
    assert compare(sooting, {"soot_delta_L": Measured(-30.0, 1.0, "1")}).verdict == "agrees"
    assert compare(sooting, {"soot_delta_L": Measured(1.5, 0.8, "1")}).verdict == "contradicts"


def test_measurement_too_vague_for_any_word_cannot_tell():
    found = compare(only_claim("pool depth right"), {"pool_depth": mm(9.0, 12.0)})
    assert found.verdict == "cannot-tell"


def test_number_whose_uncertainty_swallows_it_cannot_tell():
    assert compare(only_claim("2 mm hang-up"), {"hangup_max": mm(1.0, 5.0)}).verdict == "cannot-tell"


def test_unmeasured_and_unseeable_claims_cannot_be_told():
    assert compare(only_claim("strong throw"), {"pool_diameter": mm(60)}).verdict == "cannot-tell"
    assert compare(only_claim("wick drowned"), {"wick_offset": mm(1)}).verdict == "cannot-tell"
    found = compare(only_claim("no soot"), {})
    assert (found.verdict, found.why) == ("cannot-tell", "not measured: soot, darkening of the wall (L*)")


@pytest.mark.parametrize(
    ("coverage", "verdict"), [(0.44, "agrees"), (0.66, "agrees"), (0.2, "contradicts"), (0.95, "contradicts")]
)
def test_share_of_the_way_may_mean_surface_or_diameter(coverage, verdict):
    assert compare(only_claim("pool two thirds of the way"), {"pool_coverage": ratio(coverage)}).verdict == verdict


def test_hang_up_number_may_mean_mean_or_worst():
    evidence = {"hangup_mean": mm(2.0, 0.3), "hangup_max": mm(6.0, 0.5)}
    assert compare(only_claim("4 mm hang-up"), evidence).verdict == "agrees"
    assert compare(only_claim("9 mm hang-up"), evidence).verdict == "contradicts"


def test_full_at_a_time_waits_for_a_photo_from_that_time():
    claim, full = only_claim("full at 3h10"), {"pool_coverage": ratio(0.99)}
    assert compare(claim, full, minutes=120).verdict == "cannot-tell"
    assert compare(claim, full, minutes=240).verdict == "agrees"
    assert compare(claim, {"pool_coverage": ratio(0.6)}, minutes=240).verdict == "contradicts"


def test_word_and_number_of_one_claim_are_both_tested():
    claim = only_claim("deep pool, 15 mm")
    assert compare(claim, {"pool_depth": mm(15.2)}).verdict == "agrees"
    assert compare(claim, {"pool_depth": mm(8.0)}).verdict == "contradicts"


def test_flicker_is_judged_against_the_flame():
    evidence = {"flicker_amplitude": mm(9.0, 0.5), "flame_height": mm(20.0, 0.5)}
    assert compare(only_claim("flame steady"), evidence).verdict == "contradicts"
    assert compare(only_claim("flame dancing"), evidence).verdict == "agrees"


def test_hedged_words_are_given_more_room():
    firm = Claim("flame-height", "tall", "tall", (0, 4))
    hedged = Claim("flame-height", "tall", "maybe tall", (0, 10), hedged=True)
    evidence = {"flame_height": mm(20.5, 0.5)}
    assert abs(compare(hedged, evidence).gap_u) < abs(compare(firm, evidence).gap_u)


def test_makers_own_bands_override(tmp_path):
    own = tmp_path / "bands.toml"
    own.write_text(
        '[flame-height]\nmeasured="flame_height"\nunit="mm"\nvague=1.0\nsource="ours"\nstates.tall={low=40.0}\nstates.low={high=10.0}\nstates.right={low=10.0,high=40.0}\n'
    )
    assert compare(only_claim("tall flame"), {"flame_height": mm(30)}, load_scales(own)).verdict == "contradicts"
    own.write_text("[sparkle]\nvague=1\n")
    with pytest.raises(PooleyeError):
        load_scales(own)


def test_measurement_without_uncertainty_is_refused():
    with pytest.raises(ValueError, match="uncertainty"):
        Measured(3.0, 0.0, "mm")
