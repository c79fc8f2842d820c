"""Peer for the thermal fit: the same two-stage problem by scipy.optimize.least_squares.

The filters are vectorised with numpy: over stretches short enough not to overflow,
x(t) exp(t / tau) is a running sum. One fit is timed, the model given; nothing is chosen.

Usage: thermal_fit_scipy.py LOG.csv FIT_UNTIL_S; prints median milliseconds, rmse in K, K/W.
Made with Python 3.11, numpy 2.4.6, scipy 1.17.1.
"""

import statistics
import sys
import time

import numpy as np
from scipy.optimize import least_squares

REPEATS = 15
# exp(200) is far from overflow and loses no digits within a stretch.
STRETCH_TAUS = 200.0


def stage(time_s, step_s, power_w, start_w, tau_s):
    gain = -np.expm1(-step_s / tau_s) * power_w
    out = np.empty_like(power_w)
    x, first = start_w, 0
    while first < len(time_s):
        origin_s = time_s[first] - step_s[first]
        end = int(np.searchsorted(time_s, origin_s + STRETCH_TAUS * tau_s, side="right"))
        end = max(end, first + 1)
        grown = np.exp((time_s[first:end] - origin_s) / tau_s)
        out[first:end] = (x + np.cumsum(gain[first:end] * grown)) / grown
        x, first = out[end - 1], end
    return out


def main():
    table = np.loadtxt(sys.argv[1], delimiter=",", skiprows=1, usecols=(0, 1, 3))
    time_s = table[:, 0] - table[0, 0]
    inside = time_s <= float(sys.argv[2])
    time_s, temp_c, reading_w = time_s[inside], table[inside, 1], table[inside, 2]
    step_s = np.diff(time_s, prepend=time_s[0])
    power_w = 0.5 * (reading_w + np.concatenate(([reading_w[0]], reading_w[:-1])))
    start_w = np.median(reading_w[:5])

    def residual(p):
        fast = stage(time_s, step_s, power_w, start_w, np.exp(p[1]))
        slow = stage(time_s, step_s, power_w, start_w, np.exp(p[3]))
        return p[4] + p[0] * fast + p[2] * slow - temp_c

    start = [0.02, np.log(1.0), 0.02, np.log(30.0), 25.0]
    took_ms = []
    for _ in range(REPEATS):
        began = time.perf_counter()
        fit = least_squares(residual, start, x_scale="jac", method="trf")
        took_ms.append(1e3 * (time.perf_counter() - began))
    rmse_k = float(np.sqrt(np.mean(fit.fun**2)))
    print(f"{statistics.median(took_ms):.3f} {rmse_k:.4f} {fit.x[0] + fit.x[2]:.6f}")


main()
