#!/usr/bin/env python3
"""Throughput of the importer beside polars.read_csv on the same clean file and two threads.

    python3 -m venv v && v/bin/pip install polars
    v/bin/python import_polars.py [--megabytes 1000] [--repeats 3]

Needs `cargo`; builds the example `throughput` in release mode. Prints both throughputs (best of
the repeats, the file in the page cache for both), their ratio and both peak memory sizes.
"""

import argparse
import os
import pathlib
import re
import subprocess
import sys
import tempfile
import time

CRATE = pathlib.Path(__file__).resolve().parents[2]


def read_with_polars(path: str) -> float:
    import polars

    begin = time.perf_counter()
    frame = polars.read_csv(path)
    seconds = time.perf_counter() - begin
    assert frame.width == 12, frame.width
    return seconds


def child(arguments: list[str], environment: dict[str, str]) -> tuple[str, int]:
    """Output of a child and its peak memory in bytes."""
    script = (
        "import resource, subprocess, sys;"
        "print(subprocess.run(sys.argv[1:], check=True, capture_output=True, text=True).stdout);"
        "print(resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss * 1024)"
    )
    done = subprocess.run(
        [sys.executable, "-c", script, *arguments],
        check=True, capture_output=True, text=True, env=environment,
    )
    output, peak = done.stdout.strip().rsplit("\n", 1)
    return output, int(peak)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--megabytes", type=int, default=1000)
    parser.add_argument("--repeats", type=int, default=3)
    parser.add_argument("--read", help=argparse.SUPPRESS)
    options = parser.parse_args()
    if options.read:
        print(read_with_polars(options.read))
        return
    environment = dict(os.environ, POLARS_MAX_THREADS="2")
    subprocess.run(
        ["cargo", "build", "--release", "--example", "throughput"], cwd=CRATE, check=True
    )
    metadata = subprocess.run(
        ["cargo", "metadata", "--no-deps", "--format-version", "1"],
        cwd=CRATE, check=True, capture_output=True, text=True,
    ).stdout
    target = re.search(r'"target_directory":"([^"]+)"', metadata).group(1)
    program = os.path.join(target, "release", "examples", "throughput")
    with tempfile.TemporaryDirectory() as folder:
        path = os.path.join(folder, "clean.csv")
        subprocess.run([program, path, str(options.megabytes)], check=True)
        size = os.path.getsize(path)
        ours, peers, our_peak, peer_peak = [], [], 0, 0
        for _ in range(options.repeats):
            output, our_peak = child([program, path], environment)
            ours.append(float(re.search(r"in ([0-9.]+) s", output).group(1)))
            output, peer_peak = child(
                [sys.executable, os.path.abspath(__file__), "--read", path], environment
            )
            peers.append(float(output))
        best, peer = min(ours), min(peers)
        print(f"file {size / 1e6:.0f} MB")
        print(f"settlepoint  {size / best / 1e6:8.1f} MB/s, peak memory {our_peak / size:.2f} x file")
        print(f"polars       {size / peer / 1e6:8.1f} MB/s, peak memory {peer_peak / size:.2f} x file")
        print(f"ratio {peer / best:.2f}")


if __name__ == "__main__":
    main()
