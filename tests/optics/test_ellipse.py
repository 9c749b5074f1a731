"""Ellipses and their fit, against published worked points, scikit-image, OpenCV and SciPy."""

from __future__ import annotations

import math
import warnings

import numpy as np
import pytest

from pooleye.optics.ellipse import Ellipse, EllipseFit, FailedFit, direct_fit, fit_ellipse

# Point sets of Gander, Golub & Strebel, BIT 34, 1994 (quoted from memory; the expected values were computed
# independently with SciPy's ODRPACK, orthogonal distance regression).
CIRCLE_POINTS = np.array([(1, 7), (2, 6), (5, 8), (7, 7), (9, 5), (3, 7)], dtype=float)
ELLIPSE_POINTS = np.array([(1, 7), (2, 6), (5, 8), (7, 7), (9, 5), (3, 7), (6, 2), (8, 4)], dtype=float)


def noisy(ellipse: Ellipse, n: int, sigma_px: float, seed: int) -> np.ndarray:
    return ellipse.points(n) + np.random.default_rng(seed).normal(0, sigma_px, (n, 2))


def angle_between(first_rad: float, second_rad: float) -> float:
    """Smallest turn between two axes, which repeat every half turn."""
    return abs((first_rad - second_rad + math.pi / 2) % math.pi - math.pi / 2)


def fitted(points: np.ndarray, weights: np.ndarray | None = None, **options: object) -> EllipseFit:
    fit = fit_ellipse(points, weights, **options)  # type: ignore[arg-type]
    assert isinstance(fit, EllipseFit), fit
    return fit


class TestShape:
    def test_axes_are_swapped_so_that_the_first_is_the_longer(self) -> None:
        ellipse = Ellipse(0, 0, 2, 5, 0)
        assert (ellipse.a, ellipse.b) == (5, 2)
        assert ellipse.angle_rad == pytest.approx(math.pi / 2)

    @pytest.mark.parametrize("turns", [-3, -1, 0, 1, 4])
    def test_angle_is_brought_into_half_a_turn(self, turns: int) -> None:
        assert Ellipse(0, 0, 3, 2, 0.4 + turns * math.pi).angle_rad == pytest.approx(0.4)

    def test_a_hair_below_zero_does_not_become_half_a_turn(self) -> None:
        assert Ellipse(0, 0, 3, 2, -1e-18).angle_rad == 0.0

    @pytest.mark.parametrize("bad", [(0, 0, 0, 1, 0), (0, 0, 1, -1, 0), (math.nan, 0, 2, 1, 0), (0, 0, math.inf, 1, 0)])
    def test_impossible_ellipses_cannot_be_made(self, bad: tuple[float, ...]) -> None:
        with pytest.raises(ValueError, match=r"semi-axes|finite"):
            Ellipse(*bad)

    def test_angle_runs_clockwise_as_seen(self) -> None:
        """y points down, so an axis turned by +30 degrees ends lower right."""
        tip = Ellipse(0, 0, 10, 1, math.radians(30)).points(4)[0]
        assert tip == pytest.approx([10 * math.cos(math.pi / 6), 5.0])

    @pytest.mark.parametrize("degrees", range(0, 180, 15))
    def test_vector_and_conic_lead_back_to_the_same_ellipse(self, degrees: int) -> None:
        ellipse = Ellipse(812.3, -40.5, 322.5, 287.25, math.radians(degrees))
        for twin in (Ellipse.from_vector(ellipse.vector()), Ellipse.from_conic(-7.5 * ellipse.conic())):
            assert [twin.cx, twin.cy, twin.a, twin.b] == pytest.approx([812.3, -40.5, 322.5, 287.25], rel=1e-9)
            assert angle_between(twin.angle_rad, ellipse.angle_rad) < 1e-9

    def test_conic_vanishes_on_the_curve_and_is_negative_inside(self) -> None:
        ellipse = Ellipse(30, 20, 9, 4, 1.0)
        on_curve = np.column_stack([ellipse.points(50), np.ones(50)])
        assert np.einsum("ni,ij,nj->n", on_curve, ellipse.conic(), on_curve) == pytest.approx(0, abs=1e-9)
        centre = np.array([30, 20, 1.0])
        assert centre @ ellipse.conic() @ centre == pytest.approx(-1)

    @pytest.mark.parametrize(
        "conic",
        [
            np.diag([1.0, -1.0, -1.0]),  # hyperbola
            np.diag([1.0, 1.0, 1.0]),  # imaginary ellipse
            np.diag([1.0, 1.0, 0.0]),  # a single point
            np.diag([1.0, 0.0, -1.0]),  # two lines
            np.full((3, 3), np.nan),
        ],
    )
    def test_other_conics_are_refused(self, conic: np.ndarray) -> None:
        with pytest.raises(ValueError, match="ellipse"):
            Ellipse.from_conic(conic)

    def test_radial_residual_is_measured_along_the_ray_from_the_centre(self) -> None:
        ellipse = Ellipse(10, 20, 5, 3, 0)
        assert ellipse.radial_residuals([[16, 20], [10, 22], [10, 20]]) == pytest.approx([1, -1, -3])

    def test_orthogonal_residual_agrees_with_a_dense_search(self) -> None:
        ellipse = Ellipse(3, -2, 50, 20, 0.7)
        points = np.random.default_rng(4).uniform(-60, 60, (40, 2))
        curve = ellipse.points(200_000)
        nearest = np.array([np.hypot(*(curve - p).T).min() for p in points])
        sign = np.where(ellipse.contains(points), -1, 1)
        assert ellipse.orthogonal_residuals(points) == pytest.approx(sign * nearest, abs=1e-5)

    def test_area_matches_a_filled_mask_of_opencv(self) -> None:
        import cv2

        ellipse = Ellipse(300, 250, 200, 120, math.radians(35))
        mask = np.zeros((500, 600), np.uint8)
        cv2.ellipse(mask, (300, 250), (200, 120), 35, 0, 360, 1, -1)
        assert ellipse.area == pytest.approx(mask.sum(), rel=0.01)
        ys, xs = np.nonzero(mask)
        assert ellipse.contains(np.column_stack([xs, ys])).mean() > 0.985

    def test_resizing_keeps_picture_edges_in_place(self) -> None:
        """Halving: full-size pixels 0 and 1 become pixel 0, so x = 0.5 maps to 0."""
        small = Ellipse(0.5, 100.5, 40, 20, 0.3).mapped(0.5)
        assert (small.cx, small.cy, small.a, small.b, small.angle_rad) == (0, 50, 20, 10, 0.3)
        back = small.mapped(2.0)
        assert (back.cx, back.cy) == (0.5, 100.5)
        assert Ellipse(1, 2, 4, 3, 0).mapped(1, (10, 20)).centre == pytest.approx([11, 22])


class TestAgainstReferences:
    def test_circle_through_published_points(self) -> None:
        fit = fitted(CIRCLE_POINTS, loss="none", shape="circle")
        assert [fit.ellipse.cx, fit.ellipse.cy, fit.ellipse.a] == pytest.approx([4.73978, 2.98353, 4.71423], abs=6e-6)
        assert fit.ellipse.a == fit.ellipse.b

    def test_ellipse_through_published_points(self) -> None:
        fit = fitted(ELLIPSE_POINTS, loss="none", max_relative_u=10)
        e = fit.ellipse
        assert [e.cx, e.cy, e.a, e.b] == pytest.approx([2.69961, 3.81596, 6.51872, 3.03189], abs=6e-6)
        assert e.angle_rad == pytest.approx(0.35962, abs=6e-6)
        assert np.linalg.norm(e.orthogonal_residuals(ELLIPSE_POINTS)) == pytest.approx(1.17188, abs=6e-6)

    def test_such_scattered_points_are_no_ellipse_unless_asked(self) -> None:
        fit = fit_ellipse(ELLIPSE_POINTS, loss="none")
        assert not fit
        assert "short" in fit.reason

    def test_geometric_fit_agrees_with_scipy(self) -> None:
        """Gander, Golub & Strebel's full problem, every foot point an unknown, solved by SciPy's least_squares."""
        from scipy.optimize import least_squares

        points = noisy(Ellipse(40, 30, 25, 14, 0.5), 60, 1.0, seed=8)

        def gaps(unknown: np.ndarray) -> np.ndarray:
            cx, cy, a, b, angle = unknown[:5]
            x, y = a * np.cos(unknown[5:]), b * np.sin(unknown[5:])
            c, s = np.cos(angle), np.sin(angle)
            return np.concatenate([cx + c * x - s * y - points[:, 0], cy + s * x + c * y - points[:, 1]])

        result = least_squares(gaps, [40, 30, 25, 14, 0.5, *(np.arange(60) * 2 * np.pi / 60)], xtol=1e-14, ftol=1e-14)
        fit = fitted(points, loss="none")
        e = fit.ellipse
        assert [e.cx, e.cy, e.a, e.b, e.angle_rad] == pytest.approx(list(result.x[:5]), abs=1e-5)
        unit_covariance = np.linalg.inv(result.jac.T @ result.jac)[:5, :5]
        textbook = unit_covariance * 2 * result.cost / (60 - 5)
        half = np.array([0, 0, 0.5, 0.5, 0])  # (a + b) / 2
        assert fit.u_mean_radius / np.sqrt(half @ textbook @ half) == pytest.approx(
            math.sqrt(fit.correlation_length), rel=0.02
        )

    def test_direct_start_is_that_of_opencv(self) -> None:
        """OpenCV's fitEllipseDirect (Fitzgibbon et al. 1999) on poor data: far from the geometric answer."""
        import cv2

        start = Ellipse.from_vector(direct_fit(ELLIPSE_POINTS))
        assert [start.cx, start.cy, start.a, start.b] == pytest.approx([5.06388, 5.06975, 3.77566, 2.64233], abs=6e-6)
        assert start.angle_deg == pytest.approx(157.877, abs=6e-4)
        centre, (width, height), _ = cv2.fitEllipseDirect(ELLIPSE_POINTS.astype(np.float32))
        assert centre == pytest.approx((start.cx, start.cy), abs=1e-3)
        assert sorted((width / 2, height / 2)) == pytest.approx([start.b, start.a], abs=1e-3)

    @pytest.mark.parametrize("degrees", range(180))
    def test_every_degree_of_rotation_against_scikit_image_and_opencv(self, degrees: int) -> None:
        """The three minimise different things, so with 0.3 px of noise they agree to a few hundredths, not exactly."""
        import cv2
        from skimage.measure import EllipseModel

        truth = Ellipse(512.25, 380.5, 300, 240, math.radians(degrees))
        points = noisy(truth, 180, 0.3, seed=degrees)
        e = fitted(points).ellipse
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", FutureWarning)
            reference = EllipseModel()
            assert reference.estimate(points)
            cx, cy, a, b, theta = reference.params
        model = Ellipse(cx, cy, a, b, theta)
        centre, (width, height), angle_deg = cv2.fitEllipseDirect(points.astype(np.float32))
        contour = Ellipse(*centre, width / 2, height / 2, math.radians(angle_deg))
        for other, tolerance_px in ((model, 0.05), (contour, 0.05), (truth, 0.15)):
            assert [e.cx, e.cy, e.a, e.b] == pytest.approx([other.cx, other.cy, other.a, other.b], abs=tolerance_px)
            assert angle_between(e.angle_rad, other.angle_rad) < tolerance_px / 60


class TestRobustness:
    TRUTH = Ellipse(300, 200, 150, 130, 0.6)

    @pytest.mark.parametrize("share", [0.1, 0.25, 0.4])
    @pytest.mark.parametrize("seed", range(4))
    def test_scattered_outliers_do_not_move_the_ellipse(self, share: float, seed: int) -> None:
        rng = np.random.default_rng(seed)
        points = noisy(self.TRUTH, 200, 0.5, seed)
        wrong = rng.choice(200, int(share * 200), replace=False)
        points[wrong] = rng.uniform([0, 0], [600, 400], (len(wrong), 2))
        fit = fitted(points)
        assert fit.ellipse.vector() == pytest.approx(self.TRUTH.vector(), abs=0.4)
        clearly_wrong = wrong[np.abs(self.TRUTH.orthogonal_residuals(points[wrong])) > 6]
        assert not fit.inliers[clearly_wrong].any()
        assert fit.inliers.sum() > 0.9 * (1 - share) * 200

    def test_a_second_edge_over_a_third_of_the_rim_is_left_out(self) -> None:
        """Glass shows its outer rim too: points of a larger ellipse, all on one side."""
        points = noisy(self.TRUTH, 180, 0.4, seed=1)
        points[:60] = noisy(Ellipse(300, 200, 162, 141, 0.6), 180, 0.4, seed=2)[:60]
        fit = fitted(points)
        assert fit.ellipse.vector() == pytest.approx(self.TRUTH.vector(), abs=0.6)
        assert not fit.inliers[:60].any()

    def test_soft_loss_lessens_but_keeps_the_pull_of_outliers(self) -> None:
        points = noisy(self.TRUTH, 200, 0.5, seed=3)
        points[::20] += [0, 25]
        gap = {loss: np.abs(fitted(points, loss=loss).ellipse.vector() - self.TRUTH.vector()).max()
               for loss in ("none", "soft", "tukey")}  # fmt: skip
        assert gap["none"] > 3 * gap["soft"] > 0
        assert gap["tukey"] < 0.3

    def test_weights_say_whom_to_believe(self) -> None:
        points = np.vstack([noisy(self.TRUTH, 100, 0.2, 1), noisy(Ellipse(310, 200, 150, 130, 0.6), 100, 0.2, 2)])
        trusting_first = np.repeat([1.0, 1e-6], 100)
        assert fitted(points, trusting_first, loss="none").ellipse.cx == pytest.approx(300, abs=0.2)
        assert fitted(points, trusting_first[::-1], loss="none").ellipse.cx == pytest.approx(310, abs=0.2)

    def test_missing_points_and_zero_weights_are_never_inliers(self) -> None:
        points = noisy(self.TRUTH, 60, 0.3, seed=5)
        points[7] = np.nan
        weights = np.ones(60)
        weights[9] = 0
        fit = fitted(points, weights)
        assert fit.inliers.shape == (60,)
        assert not fit.inliers[7]
        assert not fit.inliers[9]

    def test_same_points_give_the_same_answer_twice(self) -> None:
        points = noisy(self.TRUTH, 120, 0.5, seed=6)
        points[:40] = np.random.default_rng(1).uniform(0, 400, (40, 2))
        assert fitted(points).ellipse == fitted(points).ellipse

    def test_answer_moves_and_grows_with_the_points(self) -> None:
        points = noisy(self.TRUTH, 90, 0.5, seed=7)
        fit, moved = fitted(points), fitted(points * 10 + [5000, -3000])
        expected = np.array([10 * fit.ellipse.cx + 5000, 10 * fit.ellipse.cy - 3000, *(10 * fit.ellipse.vector()[2:])])
        assert moved.ellipse.vector() == pytest.approx(expected, abs=1e-4)
        assert np.sqrt(np.diag(moved.covariance)) == pytest.approx(10 * np.sqrt(np.diag(fit.covariance)), rel=1e-4)

    def test_a_given_start_leads_to_the_same_ellipse(self) -> None:
        points = noisy(self.TRUTH, 90, 0.5, seed=7)
        near = Ellipse(305, 195, 160, 120, 0.4)
        assert fitted(points, start=near).ellipse.vector() == pytest.approx(fitted(points).ellipse.vector(), abs=1e-4)

    @pytest.mark.parametrize(
        "points",
        [
            np.zeros((0, 2)),
            np.zeros((50, 2)),
            np.column_stack([np.arange(50.0), np.arange(50.0)]),
            np.column_stack([np.arange(50.0), np.zeros(50)]),
            Ellipse(0, 0, 5, 4, 0).points(5),
            np.full((30, 2), np.nan),
            np.repeat(Ellipse(0, 0, 5, 4, 0).points(3), 20, axis=0),
        ],
        ids=["empty", "one-spot", "diagonal", "level-line", "five", "nan", "three-spots"],
    )
    @pytest.mark.parametrize("loss", ["none", "soft", "tukey"])
    @pytest.mark.parametrize("shape", ["ellipse", "circle"])
    def test_degenerate_points_fail_with_a_reason(self, points: np.ndarray, loss: str, shape: str) -> None:
        fit = fit_ellipse(points, loss=loss, shape=shape)  # type: ignore[arg-type]
        if shape == "circle" and len(points) == 60:
            assert fit  # three places do make a circle
            return
        assert isinstance(fit, FailedFit)
        assert not fit
        assert len(fit.reason) > 10

    def test_an_arc_of_a_few_degrees_is_declined(self) -> None:
        t = np.linspace(0, math.radians(12), 80)
        arc = np.column_stack([150 * np.cos(t), 130 * np.sin(t)]) + np.random.default_rng(2).normal(0, 0.5, (80, 2))
        assert not fit_ellipse(arc)

    def test_a_cloud_of_points_claims_no_precision(self) -> None:
        cloud = np.random.default_rng(3).uniform(0, 400, (150, 2))
        fit = fit_ellipse(cloud)
        assert not fit or fit.u_mean_radius > 2

    def test_perfect_points_do_not_claim_to_be_perfect(self) -> None:
        fit = fitted(self.TRUTH.points(100))
        assert fit.ellipse.vector() == pytest.approx(self.TRUTH.vector(), abs=1e-6)
        assert (np.sqrt(np.diag(fit.covariance)) > 5e-4).all()


def correlated(rng: np.random.Generator, n: int, persistence: float) -> np.ndarray:
    """First-order autoregressive noise of unit variance."""
    from scipy.signal import lfilter

    fresh = rng.normal(size=n + 200)
    return np.asarray(lfilter([math.sqrt(1 - persistence**2)], [1, -persistence], fresh)[200:])


class TestUncertainty:
    """Known noise in, the error must lie between limits: too bold and too timid both fail."""

    TRUTH = Ellipse(300, 200, 150, 130, 0.6)

    def z_scores(self, runs: int, n: int, persistence: float, arc_rad: float = 2 * math.pi) -> np.ndarray:
        rng = np.random.default_rng(11)
        t = np.linspace(0, arc_rad, n, endpoint=False)
        scores = []
        for _ in range(runs):
            curve = self.TRUTH.points(7200)[np.round((t + rng.uniform(0, 7)) / (2 * math.pi) * 7200).astype(int) % 7200]
            outwards = (curve - self.TRUTH.centre) @ np.linalg.inv(
                self.TRUTH.shape_matrix() @ self.TRUTH.shape_matrix()
            )
            outwards /= np.hypot(*outwards.T)[:, None]
            fit = fitted(curve + outwards * 0.6 * correlated(rng, n, persistence)[:, None])
            scores.append((fit.ellipse.vector() - self.TRUTH.vector()) / np.sqrt(np.diag(fit.covariance)))
        return np.array(scores)

    @pytest.mark.parametrize(
        ("n", "persistence", "arc_rad"),
        [
            (200, 0.0, 2 * math.pi),
            (200, 0.7, 2 * math.pi),
            (400, 0.9, 2 * math.pi),
            (200, 0.0, 2.5),
            (60, 0.0, 2 * math.pi),
        ],
    )
    def test_spread_of_error_over_uncertainty_is_about_one(self, n: int, persistence: float, arc_rad: float) -> None:
        spread = self.z_scores(80, n, persistence, arc_rad).std(axis=0)
        assert (spread > 0.7).all(), spread
        assert (spread < 1.35).all(), spread

    def test_slow_bumps_under_pixel_noise_are_seen(self) -> None:
        """Edges of rims and pools: white noise plus a waviness of a few periods around the curve."""
        t = np.arange(300) * (2 * math.pi / 300)
        unit = Ellipse(0, 0, 1, 1, 0).points(300)
        scores = []
        for seed in range(80):
            rng = np.random.default_rng(seed)
            waves = sum(rng.normal(0, 0.25) * np.cos(m * t) + rng.normal(0, 0.25) * np.sin(m * t) for m in range(1, 9))
            fit = fitted(100 * unit + unit * (rng.normal(size=300) + waves)[:, None])
            scores.append((fit.ellipse.vector() - [0, 0, 100, 0, 0]) / np.sqrt(np.diag(fit.covariance)))
        # Centre and shape; the radius (harmonic 0) has no bump in this model and is rightly overcautious.
        spread = np.std(scores, axis=0)[[0, 1, 3, 4]]
        assert (spread > 0.7).all(), spread
        assert (spread < 1.4).all(), spread

    def test_soft_loss_pays_a_few_per_cent_on_clean_points(self) -> None:
        """Cauchy weights at this scale are 95 % efficient (Holland & Welsch 1977): u grows by about 1/sqrt(0.95)."""
        ratios = []
        for seed in range(30):
            points = noisy(self.TRUTH, 150, 0.5, seed)
            plain, soft = fitted(points, loss="none"), fitted(points, loss="soft")
            ratios.append(math.sqrt((soft.covariance / soft.correlation_length)[2, 2]
                                    / (plain.covariance / plain.correlation_length)[2, 2]))  # fmt: skip
        assert 0.99 < np.mean(ratios) < 1.06

    @pytest.mark.parametrize("n", [8, 12, 16])
    def test_a_few_good_points_do_not_reject_each_other(self, n: int) -> None:
        kept = [fitted(noisy(self.TRUTH, n, 1.0, seed)).inliers.mean() for seed in range(60)]
        assert np.mean(kept) > 0.985

    def test_neighbours_that_agree_widen_the_uncertainty(self) -> None:
        rng = np.random.default_rng(1)
        base, radial = Ellipse(0, 0, 100, 100, 0).points(300), Ellipse(0, 0, 1, 1, 0).points(300)
        rough = fitted(base + radial * rng.normal(size=300)[:, None])
        smooth = fitted(base + radial * correlated(rng, 300, 0.85)[:, None])
        assert rough.correlation_length < 1.6
        # An autoregressive series of persistence 0.85 counts (1 + 0.85)/(1 - 0.85) = 12.3 points as one.
        assert 6 < smooth.correlation_length < 25
        assert smooth.u_mean_radius > 2 * rough.u_mean_radius

    def test_resized_fit_carries_its_uncertainty_along(self) -> None:
        fit = fitted(noisy(self.TRUTH, 100, 0.5, 1))
        big = fit.mapped(4.0)
        assert big.u_mean_radius == pytest.approx(4 * fit.u_mean_radius)
        assert big.residual_rms == pytest.approx(4 * fit.residual_rms)
