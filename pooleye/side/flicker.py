"""How a flame's height moves: mean, greatest, amplitude, and the frequency of its flicker.

The times of a phone's frames are uneven, so the spectrum is the Lomb-Scargle periodogram (Lomb 1976, Scargle 1982;
SciPy's `scipy.signal.lombscargle`), which is the least-squares fit of a sine at each frequency. A peak counts if
noise alone would make one so high in less than one clip of a hundred: with M independent frequencies, 1 - (1 - (1 -
P)^((N-3)/2))^M for a peak that explains the share P of the variance (Baluev, MNRAS 385, 1279, 2008, eq. 5 for the
standard normalisation; cited from memory). Two frequencies less than 1/T apart cannot be told apart in a clip of T
seconds: that is the resolution. A sine's frequency is known much better, sqrt(6) s / (pi T A sqrt(N)) for noise s
and amplitude A (Montgomery & O'Donoghue, DSSN 13, 28, 1999; from memory), but a flame is no clock, so a tenth of
the resolution is the least that is claimed.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

LOWEST_HZ = 0.5
HIGHEST_HZ = 40.0
OVERSAMPLING = 8  # trial frequencies per resolution
FALSE_ALARM = 0.01
MIN_SAMPLES, MIN_SECONDS = 12, 0.5
LEAST_SHARE_OF_RESOLUTION = 0.1


@dataclass(frozen=True)
class Peak:
    """The dominant frequency with its standard uncertainty and the spectrum's resolution, in Hz; the amplitude of its
    sine in the unit of the series; the share of the variance it explains; the chance that noise makes such a peak."""

    frequency_hz: float
    u_hz: float
    resolution_hz: float
    amplitude: float
    share: float
    false_alarm: float


@dataclass(frozen=True, eq=False)
class Spectrum:
    """Trial frequencies in Hz and the share of the variance (0 to 1) a sine of each explains."""

    frequencies_hz: Array
    shares: Array
    resolution_hz: float
    nyquist_hz: float


def spectrum_of(times_s: Array, values: Array) -> Spectrum | None:
    """The periodogram of a series without its straight trend; None for one too short to have any.

    Up to half the usual frame rate: above it, a slower motion looks the same.
    """
    length_s = float(times_s[-1] - times_s[0]) if len(times_s) else 0.0
    if len(times_s) < MIN_SAMPLES or length_s < MIN_SECONDS:
        return None
    from scipy.signal import lombscargle

    resolution = 1.0 / length_s
    nyquist = 0.5 / float(np.median(np.diff(times_s)))
    top = min(HIGHEST_HZ, 0.98 * nyquist)
    low = max(LOWEST_HZ, 1.5 * resolution)
    if top <= low:
        return None
    frequencies = np.arange(low, top, resolution / OVERSAMPLING)
    detrended = values - np.polyval(np.polyfit(times_s, values, 1), times_s)
    if not np.any(np.abs(detrended) > 1e-9):
        return Spectrum(frequencies, np.zeros_like(frequencies), resolution, nyquist)
    power = lombscargle(times_s, detrended, 2 * np.pi * frequencies, normalize=True)
    return Spectrum(frequencies, np.asarray(power, dtype=float), resolution, nyquist)


def dominant_peak(times_s: Array, values: Array, u_value: float = 0.0) -> Peak | None:
    """The highest peak of the spectrum if it is no chance, or None. `u_value`: noise of one value."""
    spectrum = spectrum_of(times_s, values)
    if spectrum is None or not spectrum.shares.any():
        return None
    at = int(np.argmax(spectrum.shares))
    share = float(min(spectrum.shares[at], 1.0))
    independent = (spectrum.frequencies_hz[-1] - spectrum.frequencies_hz[0]) / spectrum.resolution_hz
    chance = false_alarm(share, len(values), independent)
    if chance > FALSE_ALARM:
        return None
    deviation = float(np.std(values - np.polyval(np.polyfit(times_s, values, 1), times_s)))
    amplitude = deviation * math.sqrt(2 * share)
    noise = max(deviation * math.sqrt(1 - share), u_value)
    length_s = float(times_s[-1] - times_s[0])
    sine_u = math.sqrt(6) * noise / (math.pi * length_s * amplitude * math.sqrt(len(values)))
    u_hz = math.hypot(sine_u, LEAST_SHARE_OF_RESOLUTION * spectrum.resolution_hz)
    return Peak(_between(spectrum, at), u_hz, spectrum.resolution_hz, amplitude, share, chance)


def false_alarm(share: float, samples: int, independent: float) -> float:
    """Chance that noise makes a peak explaining this share of the variance anywhere in the spectrum."""
    alone = max(1.0 - share, 0.0) ** ((samples - 3) / 2)
    return float(-np.expm1(max(independent, 1.0) * np.log1p(-min(alone, 1 - 1e-12))))


def _between(spectrum: Spectrum, at: int) -> float:
    """The peak's frequency between trial ones, by a parabola through three."""
    frequencies, shares = spectrum.frequencies_hz, spectrum.shares
    if not 0 < at < len(shares) - 1:
        return float(frequencies[at])
    before, here, after = shares[at - 1 : at + 2]
    bend = before - 2 * here + after
    shift = 0.5 * (before - after) / bend if bend < 0 else 0.0
    return float(frequencies[at] + shift * (frequencies[1] - frequencies[0]))
