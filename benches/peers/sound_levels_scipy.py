"""Peer for the levels of a recording: the same weightings and one-third-octave bands with scipy.signal.

Usage: sound_levels_scipy.py FILE.wav [--full-rate]; sound_levels_scipy.py --make FILE.wav SECONDS writes a
made-up 48 kHz 24-bit stereo file to measure with. By default low bands are filtered at halved rates
(scipy.signal.decimate), as a careful script would; --full-rate filters every band at the file's rate, as
most do. The file is read in blocks of ten seconds, so that memory stays small; filters keep their state.
Prints the seconds, the peak memory in MiB, LAeq, LCeq, LZeq, LA10, LA50, LA90 and every band in dB relative
to a sine of full scale. Made with Python 3.11, numpy 2.4.6, scipy 1.17.1.
"""

import resource
import sys
import time
import wave

import numpy as np
from scipy import signal

BLOCK_S = 10
FAST_S = 0.125
# IEC 61672-1:2013, annex E: the poles of the weightings, Hz.
F1, F2, F3, F4 = 20.598997, 107.65265, 737.86223, 12194.217


def make(path, seconds):
    rng = np.random.default_rng(3)
    with wave.open(path, "wb") as out:
        out.setnchannels(2)
        out.setsampwidth(3)
        out.setframerate(48000)
        pole, state = 0.95, np.zeros((1, 2))
        for second in range(int(seconds)):
            noise = 0.02 * rng.standard_normal((48000, 2))
            shaped, state = signal.lfilter([1.0], [1.0, -pole], noise, axis=0, zi=state)
            t = second + np.arange(48000) / 48000
            shaped += 0.01 * np.sin(2 * np.pi * 175 * t)[:, None]
            whole = np.round(np.clip(shaped, -1, 1) * 8388607).astype("<i4")
            out.writeframes(whole.view("u1").reshape(-1, 4)[:, :3].tobytes())


def weighting(rate, kind):
    two_pi = 2 * np.pi
    poles = [-two_pi * F1] * 2 + [-two_pi * F4] * 2
    zeros = [0.0] * 2
    if kind == "A":
        poles += [-two_pi * F2, -two_pi * F3]
        zeros += [0.0] * 2
    z, p, k = signal.bilinear_zpk(zeros, poles, 1.0, rate)
    sos = signal.zpk2sos(z, p, k)
    _, h = signal.freqz_sos(sos, [1000.0], fs=rate)
    sos[0, :3] /= abs(h[0])
    return sos


def third_octave(rate, index, order=3):
    mid = 10 ** (3 + index / 10)
    edges = np.array([mid * 10**-0.05, mid * 10**0.05])
    return signal.butter(order, edges, btype="band", fs=rate, output="sos")


class Filter:
    """Second-order sections that keep their state from block to block."""

    def __init__(self, sos, channels):
        self.sos = sos
        self.state = np.zeros((len(sos), 2, channels))

    def run(self, x):
        y, self.state = signal.sosfilt(self.sos, x, axis=0, zi=self.state)
        return y


def blocks(path):
    with wave.open(path, "rb") as file:
        rate, channels, width = file.getframerate(), file.getnchannels(), file.getsampwidth()
        if width != 3:
            sys.exit("give a 24-bit file")
        while raw := file.readframes(BLOCK_S * rate):
            bytes_ = np.frombuffer(raw, "u1").reshape(-1, 3)
            wide = np.zeros((len(bytes_), 4), "u1")
            wide[:, 1:] = bytes_
            x = wide.view("<i4").ravel() / 2147483648.0
            yield rate, x.reshape(-1, channels)


def main():
    if sys.argv[1] == "--make":
        make(sys.argv[2], float(sys.argv[3]))
        return
    path, full_rate = sys.argv[1], "--full-rate" in sys.argv
    begun = time.perf_counter()
    indices = range(-17, 14)
    sums = {name: 0.0 for name in "ACZ"}
    bands, frames, fast_levels, filters = np.zeros(len(indices)), 0, [], None
    for rate, x in blocks(path):
        channels = x.shape[1]
        if filters is None:
            weights = {k: Filter(weighting(rate, k), channels) for k in "AC"}
            plan, halver = [], Filter(signal.butter(8, 0.4, output="sos"), channels)
            for place, index in enumerate(indices):
                top = 10 ** (3 + index / 10 + 0.05)
                halvings = 0 if full_rate else max(0, int(np.log2(0.2 * rate / top)))
                plan.append((place, halvings, Filter(third_octave(rate / 2**halvings, index), channels)))
            halvers = [Filter(halver.sos, channels) for _ in range(max(p[1] for p in plan))]
            fast = np.exp(-1 / (rate * FAST_S))
            fast_state = np.zeros(1)
            filters = True
        a = weights["A"].run(x)
        energy = 2 * (a**2).mean(axis=1)
        sums["A"] += energy.sum()
        sums["C"] += 2 * (weights["C"].run(x) ** 2).mean(axis=1).sum()
        sums["Z"] += 2 * (x**2).mean(axis=1).sum()
        smooth, fast_state = signal.lfilter([1 - fast], [1, -fast], energy, zi=fast_state)
        fast_levels.append(10 * np.log10(smooth[rate // 8 - 1 :: rate // 8] + 1e-30))
        stages = [x]
        for halver in halvers:
            stages.append(halver.run(stages[-1])[::2])
        for place, halvings, band in plan:
            y = band.run(stages[halvings])
            bands[place] += 2 * (y**2).mean(axis=1).mean() * len(x)
        frames += len(x)
    levels = [10 * np.log10(sums[k] / frames) for k in "ACZ"]
    percentiles = np.percentile(np.concatenate(fast_levels)[8:], [90, 50, 10])
    seconds = time.perf_counter() - begun
    memory = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    print(f"{seconds:.2f} s", f"{memory:.0f} MiB", *(f"{v:.3f}" for v in [*levels, *percentiles]))
    print(*(f"{10 * np.log10(b / frames):.3f}" for b in bands))


main()
