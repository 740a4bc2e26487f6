#!/usr/bin/env bash
# Mending beside general-purpose inpainting that is given the true masks. One command: writes bench/mend.md and bench/mend.tsv.
# Wants python3 with venv; the libraries come from the Python package index into target/bench/python.
source "$(dirname "$0")/python.sh" numpy opencv-python-headless scikit-image tifffile
pairs="$work/mend-pairs"
rm -rf "$pairs"
cargo run --release -p motelight-motes --example mend_pairs -- "$pairs"
cargo build --release -p motelight-cli
for folder in "$pairs"/*/; do
    "$target/release/motelight" mend "$folder/pictures" --test-frame "$folder/wall.tif" \
        --out "$folder/mended" --json >"$folder/mended.json" || [ $? -eq 1 ]
done
"$python" bench/mend.py "$pairs" bench/mend.tsv bench/mend.md
"$python" bench/finished.py "$target/release/motelight" "$pairs" "$work/finished" bench/finished.md
