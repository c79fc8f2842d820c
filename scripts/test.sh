#!/usr/bin/env bash
# All checks, as they run before a change is taken. Needs a Rust toolchain (cargo, rustfmt, clippy)
# and a C compiler, and for the page's tests Chromium with its driver; on Debian and its relatives
# compiler and browser are installed if they are missing and this runs as root or with passwordless
# sudo. The network is needed once, to fetch crates.
set -euo pipefail
cd "$(dirname "${BASH_SOURCE[0]}")/.."
exec </dev/null

begun=$SECONDS

# Runs a step, printing its name before and its time after.
step() {
    local name=$1 from=$SECONDS
    shift
    printf '\n== %s\n' "$name"
    if ! "$@"; then
        printf '\n== %s: FAILED after %d s\n' "$name" $((SECONDS - from)) >&2
        exit 1
    fi
    printf '== %s: done in %d s\n' "$name" $((SECONDS - from))
}

stop() {
    printf 'scripts/test.sh: %s\n' "$1" >&2
    exit 2
}

packages="build-essential chromium chromium-driver"

# As root, or through sudo where that asks for no password.
as_root() {
    if [ "$(id -u)" -eq 0 ]; then
        "$@"
    elif command -v sudo >/dev/null && sudo -n true 2>/dev/null; then
        sudo -n "$@"
    else
        stop "packages are missing; as root: apt-get install $packages"
    fi
}

# SQLite is compiled from its C source, and cc also links every program.
need_compiler() {
    command -v cc >/dev/null && return
    command -v apt-get >/dev/null ||
        stop "a C compiler (cc) is missing; install gcc or clang with your package manager"
    as_root apt-get update
    as_root env DEBIAN_FRONTEND=noninteractive apt-get install -y --no-install-recommends \
        build-essential || stop "apt-get could not install build-essential; see above"
}

# Elsewhere than on Debian's relatives the browser's tests run where a driver is found.
need_browser() {
    if ! command -v chromedriver >/dev/null; then
        if ! command -v apt-get >/dev/null; then
            printf 'no chromedriver here: the tests in a browser are left out\n'
            return
        fi
        as_root apt-get update
        as_root env DEBIAN_FRONTEND=noninteractive apt-get install -y --no-install-recommends \
            chromium chromium-driver || stop "apt-get could not install chromium; see above"
    fi
    export SETTLEPOINT_BROWSER=1
}

need_cargo() {
    if ! command -v cargo >/dev/null && [ -r "${CARGO_HOME:-$HOME/.cargo}/env" ]; then
        # shellcheck disable=SC1091
        . "${CARGO_HOME:-$HOME/.cargo}/env"
    fi
    command -v cargo >/dev/null ||
        stop "cargo is missing; install a stable Rust toolchain (1.95 or later)"
}

# A minimal toolchain lacks these two.
need_component() {
    cargo "$1" --version >/dev/null 2>&1 && return
    if command -v rustup >/dev/null; then
        rustup component add "$2" || true
    fi
    cargo "$1" --version >/dev/null 2>&1 ||
        stop "$2 is missing; run: rustup component add $2 (or install your distribution's package)"
}

tests() {
    if cargo nextest --version >/dev/null 2>&1; then
        cargo nextest run --workspace --locked
    else
        cargo test --workspace --locked --lib --bins --tests --examples
    fi
}

documentation() {
    RUSTDOCFLAGS="-D warnings ${RUSTDOCFLAGS:-}" cargo doc --workspace --no-deps --locked
}

# A clone that is built once gains nothing from incremental compilation.
if [ -n "${CI:-}" ]; then
    export CARGO_INCREMENTAL=0
fi

need_cargo
need_compiler
need_browser
need_component fmt rustfmt
need_component clippy clippy

step "fetch" cargo fetch --locked
step "format" cargo fmt --all --check
step "lints" cargo clippy --workspace --all-targets --locked -- -D warnings
step "benchmarks compile" cargo check --workspace --benches --locked
step "dependencies" cargo run --quiet --locked --package xtask -- deps
step "tests" tests
step "documentation tests" cargo test --workspace --doc --locked
step "documentation" documentation

printf '\nAll checks passed in %d s.\n' $((SECONDS - begun))
