#!/bin/sh
# Times the linear case of crates/model/examples/linear_case.rs against two general-purpose peers and
# prints the ratios. Needs cargo, ngspice (Debian package `ngspice`) and a Python with numpy and
# scipy; name the latter in PYTHON, best a virtual environment outside the tree:
#
#     python3 -m venv /some/where && /some/where/bin/pip install scipy==1.17.1
#     PYTHON=/some/where/bin/python benches/peers/run_sim.sh
#
# All three give the die's rise at each of 1800 s. The ladder is exact to rounding; LSODA's tolerance
# is the loosest power of ten that keeps it within 0.01 K; ngspice with its steps of 1 s is up to
# 0.07 K off just after a switch, so both comparisons favour the peer. Start-up is not counted.
set -eu
cd "$(dirname "$0")/../.."
cargo build --release --quiet -p settlepoint-model --example linear_case
ours=$("${CARGO_TARGET_DIR:-target}"/release/examples/linear_case)
lsoda=$("${PYTHON:-python3}" benches/peers/sim_lsoda.py)
spice=$(ngspice -b benches/peers/sim_ngspice.cir 2>/dev/null | awk '
    /Transient analysis time/ { time_s = $5 }
    /v\(n1\)\[900\]/ { middle = $3 }
    /v\(n1\)\[last\]/ { end = $3 }
    END { printf "%.0f %.9f %.9f", time_s / 50 * 1e9, middle, end }')
printf '%s\n%s\n%s\n' "$ours" "$lsoda" "$spice" | awk '
    BEGIN { name[1] = "ladder"; name[2] = "scipy LSODA"; name[3] = "ngspice"
        printf "%-12s %12s %8s %14s %14s\n", "", "us a run", "ratio", "K at 900 s", "K at 1800 s" }
    NR == 1 { base = $1 }
    { printf "%-12s %12.1f %8.0f %14.6f %14.6f\n", name[NR], $1 / 1000, $1 / base, $2, $3 }'
