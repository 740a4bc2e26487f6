#!/usr/bin/env bash
# Mending beside general-purpose inpainting that is given the true masks. One command: writes bench/mend.md and bench/mend.tsv.
# Wants python3 with venv; the libraries come from the Python package index into target/bench/python.
set -euo pipefail
cd "$(dirname "$0")/.."
work="${CARGO_TARGET_DIR:-target}/bench"
python="$work/python/bin/python"
[ -x "$python" ] || python3 -m venv "$work/python"
"$python" -m pip install --quiet numpy opencv-python-headless scikit-image tifffile
pairs="$work/mend-pairs"
rm -rf "$pairs"
cargo run --release -p motelight-motes --example mend_pairs -- "$pairs"
cargo build --release -p motelight-cli
for folder in "$pairs"/*/; do
    "${CARGO_TARGET_DIR:-target}/release/motelight" mend "$folder/pictures" --test-frame "$folder/wall.tif" \
        --out "$folder/mended" --json >"$folder/mended.json" || [ $? -eq 1 ]
done
"$python" bench/mend.py "$pairs" bench/mend.tsv bench/mend.md
"$python" bench/finished.py "${CARGO_TARGET_DIR:-target}/release/motelight" "$pairs" "$work/finished" bench/finished.md
