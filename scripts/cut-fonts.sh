#!/usr/bin/env bash
# Cuts the charts' typeface to the signs that charts use: Latin, Greek, Cyrillic, arrows, maths.
# Needs Python with fonttools and brotli (made with 4.68.0 and 1.2.1) and a folder with
# NotoSans-Regular.ttf and NotoSans-Bold.ttf, version 1.04, as in the crate notosans 0.1.0.
set -euo pipefail
[ $# -eq 1 ] || { echo "usage: scripts/cut-fonts.sh FOLDER_WITH_NOTO_SANS" >&2; exit 2; }
to="$(dirname "${BASH_SOURCE[0]}")/../crates/draw/assets"
signs="U+0020-007E,U+00A0-017F,U+0391-03A1,U+03A3-03C9,U+0400-045F,U+2012-2015,U+2018-201E,U+2022"
signs="$signs,U+2026,U+2030,U+2032-2033,U+2070,U+2074-2079,U+20AC,U+2122,U+2190-2193,U+2206"
signs="$signs,U+2211-2212,U+221A,U+221E,U+2248,U+2260,U+2264-2265,U+25A0,U+25B2,U+25BC,U+25CF"
for face in Regular Bold; do
    for form in ttf woff2; do
        flavor=()
        [ "$form" = woff2 ] && flavor=(--flavor=woff2)
        python3 -m fontTools.subset "$1/NotoSans-$face.ttf" --unicodes="$signs" \
            --layout-features=kern,mark,mkmk,ccmp "${flavor[@]}" \
            --output-file="$to/NotoSans-$face-sub.$form"
    done
done
