"""Reference for the test of levels and bands against scipy: prints crates/sound/tests/data/scipy-levels.csv.

The signal is made anew by the test: ten seconds at 48 kHz of x = 0.1 (2 u - 1), u the upper 53 bits of Knuth's
64-bit linear congruential generator (MMIX) from seed 1, through one pole y = 0.9 y + x. Weighted levels are
those of the discrete Fourier transform of the whole under the formulas of IEC 61672-1:2013, annex E; bands
are scipy.signal.butter of the order given, filtered at 48 kHz, the first second left out. Levels are in dB
relative to a sine of full scale. Made with Python 3.11, numpy 2.4.6, scipy 1.17.1.
"""

import numpy as np
from scipy import signal

RATE, SECONDS = 48000, 10
F1, F2, F3, F4 = 20.598997, 107.65265, 737.86223, 12194.217


def sound():
    state, out = 1, np.empty(RATE * SECONDS)
    for i in range(len(out)):
        state = (state * 6364136223846793005 + 1442695040888963407) % 2**64
        out[i] = 0.1 * (2 * (state >> 11) / 2**53 - 1)
    return signal.lfilter([1.0], [1.0, -0.9], out)


def a_gain(f):
    s = f * f
    return F4**2 * s * s / ((s + F1**2) * np.sqrt((s + F2**2) * (s + F3**2)) * (s + F4**2))


def c_gain(f):
    s = f * f
    return F4**2 * s / ((s + F1**2) * (s + F4**2))


def weighted(x, gain):
    f = np.fft.rfftfreq(len(x), 1 / RATE)
    power = np.abs(np.fft.rfft(x) * gain(f) / gain(np.array([1000.0]))) ** 2
    return 10 * np.log10(2 * (2 * power.sum() - power[0] - power[-1]) / len(x) ** 2)


def main():
    x = sound()
    print("# check: weighted levels and one-third-octave bands of a made-up noise")
    print("# source: numpy 2.4.6 and scipy 1.17.1, benches/peers/sound_reference_scipy.py")
    print("# units: dB relative to a sine of full scale; tolerance 0.001 dB")
    print("what,order,db")
    print(f"A,,{weighted(x, a_gain):.4f}")
    print(f"C,,{weighted(x, c_gain):.4f}")
    for index in range(-13, 14):
        mid = 10 ** (3 + index / 10)
        edges = [mid * 10**-0.05, mid * 10**0.05]
        for order in (3, 4):
            sos = signal.butter(order, edges, btype="band", fs=RATE, output="sos")
            y = signal.sosfilt(sos, x)[RATE:]
            print(f"{index},{order},{10 * np.log10(2 * np.mean(y * y)):.4f}")


main()
