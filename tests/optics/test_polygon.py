"""Measures of a closed outline, against closed formulas, OpenCV and scikit-image."""

from __future__ import annotations

import math

import numpy as np
import pytest

from pooleye.optics import polygon

SQUARE = np.array([(0, 0), (2, 0), (2, 2), (0, 2)], dtype=float)


def turned(points: np.ndarray, degrees: float) -> np.ndarray:
    c, s = math.cos(math.radians(degrees)), math.sin(math.radians(degrees))
    return points @ np.array([[c, s], [-s, c]])


def circle(radius: float, n: int) -> np.ndarray:
    t = np.arange(n) * (2 * math.pi / n)
    return radius * np.column_stack([np.cos(t), np.sin(t)])


class TestAreaAndCentre:
    def test_rectangle_and_triangle(self) -> None:
        assert polygon.area(SQUARE) == 4
        assert polygon.area([(0, 0), (6, 0), (0, 3)]) == 9
        assert polygon.centroid([(0, 0), (6, 0), (0, 3)]) == pytest.approx([2, 1])

    def test_either_way_round(self) -> None:
        assert polygon.area(SQUARE) == polygon.area(SQUARE[::-1]) == 4
        assert polygon.centroid(SQUARE[::-1]) == pytest.approx([1, 1])

    def test_ring_seen_as_share_of_the_bore(self) -> None:
        """Pool of 69 mm in a bore of 75 mm: (69/75)^2 = 0.8464."""
        assert polygon.area(circle(34.5, 720)) / polygon.area(circle(37.5, 720)) == pytest.approx(0.8464)

    def test_regular_polygon_formula(self) -> None:
        """A regular n-gon in a circle of radius r has the area n r^2 sin(2 pi / n) / 2."""
        assert polygon.area(circle(5, 7)) == pytest.approx(7 * 25 * math.sin(2 * math.pi / 7) / 2)

    def test_equivalent_diameter_of_a_circle_is_its_diameter(self) -> None:
        assert polygon.equivalent_diameter(circle(29.0, 2000)) == pytest.approx(58.0, rel=1e-5)
        assert polygon.equivalent_diameter(SQUARE) == pytest.approx(2 * math.sqrt(4 / math.pi))

    def test_centre_ignores_how_densely_a_side_is_sampled(self) -> None:
        dense = np.vstack([np.column_stack([np.linspace(0, 2, 500), np.zeros(500)]), SQUARE[2:]])
        assert polygon.centroid(dense) == pytest.approx([1, 1])

    def test_small_outline_far_from_the_origin_keeps_its_digits(self) -> None:
        assert polygon.area(SQUARE * 1e-2 + 1e6) == pytest.approx(4e-4, rel=1e-6)
        assert polygon.centroid(SQUARE + 1e6) == pytest.approx([1e6 + 1, 1e6 + 1], abs=1e-8)

    def test_non_convex_shape_agrees_with_opencv_moments(self) -> None:
        import cv2

        t = np.arange(400) * (2 * math.pi / 400)
        radius = 40 + 9 * np.cos(3 * t) + 5 * np.sin(7 * t)
        star = np.column_stack([radius * np.cos(t) + 100, radius * np.sin(t) + 80])
        moments = cv2.moments(star.astype(np.float32).reshape(-1, 1, 2))
        assert polygon.area(star) == pytest.approx(moments["m00"], rel=1e-5)
        reference = [moments["m10"] / moments["m00"], moments["m01"] / moments["m00"]]
        assert polygon.centroid(star) == pytest.approx(reference, abs=1e-3)

    def test_a_curve_that_encloses_nothing_has_no_centre(self) -> None:
        with pytest.raises(ValueError, match="no area"):
            polygon.centroid([(0, 0), (5, 5), (9, 9)])

    @pytest.mark.parametrize("bad", [[(0, 0), (1, 1)], [(0, 0, 0)] * 4, [(0, 0), (1, 0), (math.nan, 1)]])
    def test_nonsense_is_refused(self, bad: list[tuple[float, ...]]) -> None:
        with pytest.raises(ValueError, match="outline"):
            polygon.area(bad)


class TestFeret:
    @pytest.mark.parametrize("degrees", range(0, 180, 7))
    def test_rectangle_at_any_turn(self, degrees: int) -> None:
        rectangle = turned(np.array([(0, 0), (4, 0), (4, 3), (0, 3)], dtype=float), degrees)
        assert polygon.feret_diameters(rectangle) == pytest.approx((3, 5))

    def test_curve_of_constant_width(self) -> None:
        """A Reuleaux triangle measures the same all round; its area is (pi - sqrt(3)) w^2 / 2."""
        corners = circle(1 / math.sqrt(3), 3) * 10
        arcs = []
        for k in range(3):
            middle, start = corners[(k + 2) % 3], corners[k] - corners[(k + 2) % 3]
            arcs.append(middle + np.array([turned(start, d) for d in np.linspace(0, 60, 200, endpoint=False)]))
        shape = np.vstack(arcs)
        assert polygon.feret_diameters(shape) == pytest.approx((10, 10), abs=2e-3)
        assert polygon.area(shape) == pytest.approx((math.pi - math.sqrt(3)) * 100 / 2, rel=1e-4)

    def test_dents_do_not_count(self) -> None:
        dented = np.array([(0, 0), (4, 0), (4, 3), (2, 0.5), (0, 3)], dtype=float)
        assert polygon.feret_diameters(dented) == pytest.approx((3, 5))

    def test_ellipse_gives_its_axes(self) -> None:
        assert polygon.feret_diameters(turned(circle(1, 2000) * [30, 20], 33)) == pytest.approx((40, 60), rel=1e-5)

    def test_largest_agrees_with_scikit_image(self) -> None:
        """scikit-image measures between pixel outlines, half a pixel further out on each side."""
        from skimage.draw import polygon as fill
        from skimage.measure import label, regionprops

        shape = turned(circle(1, 300) * [120, 70], 20) + 200
        mask = np.zeros((400, 400), int)
        mask[fill(shape[:, 1], shape[:, 0])] = 1
        reference = regionprops(label(mask))[0].feret_diameter_max
        assert polygon.feret_diameters(shape)[1] == pytest.approx(reference, abs=1.5)

    def test_flat_outline_has_no_width(self) -> None:
        smallest, largest = polygon.feret_diameters([(0, 0), (3, 4), (1.5, 2)])
        assert smallest == pytest.approx(0, abs=1e-9)
        assert largest == pytest.approx(5)


class TestRadialProfile:
    def test_square_from_its_centre(self) -> None:
        angles = np.radians([0, 45, 90, 225])
        assert polygon.radial_profile(SQUARE, (1, 1), angles) == pytest.approx([1, math.sqrt(2), 1, math.sqrt(2)])

    def test_circle_from_a_point_off_its_centre(self) -> None:
        """Law of cosines: from e to the right of the centre, rho = sqrt(r^2 - e^2 sin^2) - e cos."""
        angles = np.linspace(0, 2 * math.pi, 50)
        expected = np.sqrt(100 - 9 * np.sin(angles) ** 2) - 3 * np.cos(angles)
        assert polygon.radial_profile(circle(10, 5000), (3, 0), angles) == pytest.approx(expected, abs=1e-5)

    def test_outermost_crossing_counts(self) -> None:
        horseshoe = [(-5, -5), (5, -5), (5, 5), (-5, 5), (-5, 3), (3, 3), (3, -3), (-5, -3)]
        assert polygon.radial_profile(horseshoe, (0, -4), [math.pi / 2]) == pytest.approx([9])

    def test_centre_outside_leaves_directions_without_a_value(self) -> None:
        profile = polygon.radial_profile(SQUARE, (-5, 1), [0.0, math.pi])
        assert profile[0] == pytest.approx(7)
        assert math.isnan(profile[1])

    def test_shape_of_the_angles_is_kept_and_no_ray_slips_between_sides(self) -> None:
        angles = np.linspace(-7, 7, 1200).reshape(30, 40)
        profile = polygon.radial_profile(circle(10, 36), (0, 0), angles)
        assert profile.shape == (30, 40)
        assert (profile >= 10 * math.cos(math.pi / 36) - 1e-9).all()
        # Exactly through the corners, where two sides meet.
        corners = polygon.radial_profile(circle(10, 36), (0, 0), np.arange(36) * (2 * math.pi / 36))
        assert corners == pytest.approx(10)


def test_many_outlines_at_once_measure_as_one_by_one() -> None:
    shapes = np.stack([circle(5, 40) * [1, k] + [0.3, -0.2 * k] for k in (0.8, 1.0, 1.3)])
    angles = np.linspace(0, 6, 7)
    assert polygon.area(shapes) == pytest.approx([float(polygon.area(shape)) for shape in shapes])
    assert polygon.centroid(shapes) == pytest.approx(np.stack([polygon.centroid(shape) for shape in shapes]))
    profiles = np.stack([polygon.radial_profile(shape, (0, 0), angles) for shape in shapes])
    assert polygon.radial_profile(shapes, (0, 0), angles) == pytest.approx(profiles)
