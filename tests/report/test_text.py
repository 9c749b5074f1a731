from pooleye.measurement import PhotoResult, Quantity
from pooleye.report.text import result_as_text


def test_rows_come_in_the_order_of_the_contract_whatever_the_order_found():
    quantities = {"tilt": Quantity(3.0, 0.5, "deg"), "pool_diameter": Quantity(58.3, 0.7, "mm")}
    text = result_as_text(PhotoResult.measured("a.jpg", "top", method="x/1", quantities=quantities))
    assert text.index("melt pool diameter") < text.index("phone tilted by")


def test_a_photo_with_nothing_to_measure_still_reads_well():
    text = result_as_text(PhotoResult.measured("a.jpg", "top", method="x/1", quantities={}, flags=["pool-unmeasured"]))
    assert "caution [pool-unmeasured]" in text


def test_no_line_is_wider_than_a_terminal():
    result = PhotoResult.measured(
        "a.jpg", "top", method="x/1", quantities={}, flags=["focal-assumed", "pose-ambiguous"]
    )
    assert max(map(len, result_as_text(result).splitlines())) <= 100


def test_no_zero_by_the_clock_has_a_minus():
    by_clock = {"soot_delta_L": [-0.01, None, *[-2.0] * 10]}
    text = result_as_text(PhotoResult.measured("a.jpg", "top", method="x/1", quantities={}, by_clock=by_clock))
    assert "soot by clock, 12 to 11  0.0 - -2.0" in text
