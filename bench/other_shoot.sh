#!/usr/bin/env bash
# Tracing and mending shoots that were painted and taken apart from the project's own. One command: writes bench/other_shoot.md.
# Wants python3 with venv and exiftool; the libraries come from the Python package index into target/bench/python. About half an hour.
source "$(dirname "$0")/python.sh" numpy scipy opencv-python-headless tifffile
cargo build --release -p motelight-cli
rm -rf "$work/other_shoot"
"$python" bench/other_shoot.py "$target/release/motelight" "$work/other_shoot" bench/other_shoot.md "${1:-1}"
