#!/usr/bin/env bash
# `inspect` and `signoff` beside general-purpose detectors on the same pictures. One command: writes bench/peers.md and
# bench/peers.tsv. Wants python3 with venv; the libraries come from the Python package index into target/bench/python.
source "$(dirname "$0")/python.sh" numpy scipy opencv-python-headless scikit-image tifffile sep photutils
cargo build --release --workspace --bins --examples
rm -rf "$work/peers-frames" "$work/peers-faint" "$work/peers-deliveries"
"$target/release/examples/testset" "$work/peers-frames" --count 6 --seed 31000 --format 2 --grains-only --grains 3..60 --motes 60
"$target/release/examples/testset" "$work/peers-faint" --count 12 --seed 33000 --format 2 --grains-only --grains 2.5..9 --motes 150
"$target/release/examples/signoff_score" scenes=6 seed=909 keep="$work/peers-deliveries"
"$python" bench/peers.py "$target/release/motelight" "$work/peers-frames" "$work/peers-faint" "$work/peers-deliveries" bench/peers
