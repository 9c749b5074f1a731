"""Flicker of a flame from the heights of its pictures."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import signal

from pooleye.side.flicker import dominant_peak, false_alarm, spectrum_of


def times_of(rate_hz: float, length_s: float, jitter: float = 0.0, seed: int = 0) -> np.ndarray:
    """Frame times in seconds; `jitter` is the share of a frame interval they wander, as a phone's do in dim light."""
    steps = np.arange(round(rate_hz * length_s))
    wander = np.random.default_rng(seed).uniform(-jitter, jitter, len(steps))
    return (steps + wander) / rate_hz


@pytest.mark.parametrize("rate_hz", [24.0, 30.0, 59.94])
@pytest.mark.parametrize("frequency_hz", [1.7, 6.3, 10.35])
def test_known_frequency_is_found_at_each_frame_rate(rate_hz: float, frequency_hz: float):
    """10.35 Hz is what f = 1.5 / sqrt(D) gives for a flame over D = 21 mm (buoyant flames, published rule)."""
    times = times_of(rate_hz, 5.0, jitter=0.3)
    noise = np.random.default_rng(3).normal(0, 0.3, len(times))
    peak = dominant_peak(times, 30 + 2 * np.sin(2 * np.pi * frequency_hz * times + 1) + noise)
    assert peak is not None
    assert abs(peak.frequency_hz - frequency_hz) <= 2 * peak.u_hz
    assert peak.u_hz < peak.resolution_hz == pytest.approx(0.2, rel=0.05)
    assert peak.amplitude == pytest.approx(2.0, rel=0.1)


def test_spectrum_agrees_with_scipy_on_even_times():
    """At evenly spaced times the spectrum has the shape of SciPy's own FFT periodogram."""
    times = times_of(30.0, 8.0)
    values = np.sin(2 * np.pi * 4.0 * times) + 0.5 * np.sin(2 * np.pi * 9.0 * times + 2)
    spectrum = spectrum_of(times, values)
    assert spectrum is not None
    frequencies, power = signal.periodogram(values, fs=30.0, detrend="linear")
    ours = np.interp([4.0, 9.0], spectrum.frequencies_hz, spectrum.shares)
    theirs = power[[np.argmin(np.abs(frequencies - f)) for f in (4.0, 9.0)]]
    assert ours[1] / ours[0] == pytest.approx(theirs[1] / theirs[0], rel=0.05)
    assert spectrum.frequencies_hz[spectrum.shares.argmax()] == pytest.approx(frequencies[power.argmax()], abs=0.05)


def test_uneven_times_beat_an_assumed_rate():
    """A clip that slows down half way: with its own times the frequency is right, with a nominal rate it is not."""
    times = np.cumsum(np.r_[np.full(75, 1 / 30), np.full(50, 1 / 18)])
    values = np.sin(2 * np.pi * 5.0 * times)
    own, nominal = dominant_peak(times, values), dominant_peak(np.arange(len(times)) / 30.0, values)
    assert own is not None
    assert nominal is not None
    assert own.frequency_hz == pytest.approx(5.0, abs=2 * own.u_hz)
    assert abs(nominal.frequency_hz - 5.0) > 2 * nominal.u_hz or nominal.share < 0.6 * own.share


def test_noise_alone_seldom_has_a_peak():
    """One clip in a hundred may; 200 clips give 2 on average and more than 9 in one case of ten thousand."""
    times = times_of(30.0, 5.0, jitter=0.2)
    noise = np.random.default_rng(7).normal(0, 1, (200, len(times)))
    found = sum(dominant_peak(times, row) is not None for row in noise)
    assert found <= 9


def test_false_alarm_falls_with_the_peak_and_grows_with_the_search():
    assert false_alarm(0.05, 150, 70) > false_alarm(0.1, 150, 70) > false_alarm(0.2, 150, 70) > 0
    assert false_alarm(0.1, 150, 140) > false_alarm(0.1, 150, 70)
    assert false_alarm(0.0, 150, 70) == pytest.approx(1.0)


@pytest.mark.parametrize("count", [0, 1, 5, 11])
def test_too_few_pictures_have_no_spectrum(count: int):
    times = np.arange(count) / 30.0
    assert spectrum_of(times, np.ones(count)) is None


def test_a_steady_flame_has_no_peak():
    times = times_of(30.0, 4.0)
    assert dominant_peak(times, np.full(len(times), 30.0)) is None


def test_a_flame_that_only_grows_has_no_peak():
    times = times_of(30.0, 4.0)
    assert dominant_peak(times, 20.0 + times + np.random.default_rng(0).normal(0, 0.05, len(times))) is None
