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
