"""Peer for the block bootstrap: mean and three high quantiles of resampled frame times in numpy.

Usage: block_bootstrap_numpy.py FRAMES.f64 BLOCK_LENGTH DRAWS; FRAMES.f64 holds little-endian
binary64 milliseconds. A tenth of the draws is timed and scaled up. Prints the seconds for all
draws, then the standard deviations of the logarithms of mean and quantiles over the draws made.
Made with Python 3.11, numpy 2.4.6.
"""

import sys
import time

import numpy as np

SHARES = (0.05, 0.01, 0.001)


def main():
    values = np.fromfile(sys.argv[1], dtype="<f8")
    block, draws = int(sys.argv[2]), int(sys.argv[3])
    made = max(draws // 10, 1)
    n = len(values)
    around = np.concatenate([values, values[:block]])
    places = sorted(n - 1 - int(share * n) for share in SHARES)
    offsets = np.arange(block, dtype=np.int32)
    blocks = -(-n // block)
    rng = np.random.default_rng(1)
    out = np.empty((made, 1 + len(SHARES)))
    begun = time.perf_counter()
    for i in range(made):
        starts = rng.integers(0, n, blocks, dtype=np.int32)
        drawn = around[(starts[:, None] + offsets).ravel()[:n]]
        out[i, 0] = drawn.mean()
        drawn.partition(places)
        out[i, 1:] = drawn[places]
    seconds = (time.perf_counter() - begun) * draws / made
    spread = np.log(out).std(axis=0, ddof=1)
    print(f"{seconds:.2f}", *(f"{s:.6f}" for s in spread))


main()
