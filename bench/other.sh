#!/usr/bin/env bash
# Inspecting, rechecking and mending frames of a camera that was written apart from the project's own. One command: writes bench/other.md.
# Wants python3 with venv and exiftool; the libraries come from the Python package index into target/bench/python. About half an hour.
source "$(dirname "$0")/python.sh" numpy scipy opencv-python-headless tifffile
cargo build --release -p motelight-cli
rm -rf "$work/other"
"$python" bench/other.py "$target/release/motelight" "$work/other" bench/other.md "${1:-1}"
