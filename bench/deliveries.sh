#!/usr/bin/env bash
# Sign-off on finished pictures that were painted, taken and edited apart from the project's own. One command: writes bench/deliveries.md.
# Wants python3 with venv; the libraries come from the Python package index into target/bench/python. About ten minutes.
source "$(dirname "$0")/python.sh" numpy scipy opencv-python-headless tifffile
cargo build --release -p motelight-cli
rm -rf "$work/deliveries"
"$python" bench/deliveries.py "$target/release/motelight" "$work/deliveries" bench/deliveries.md "${1:-1}"
