#!/usr/bin/env bash
# Inspecting, rechecking and mending frames of a camera that was written apart from the project's own. One command: writes bench/other.md.
# Wants python3 with venv and exiftool; the libraries come from the Python package index into target/bench/python. About half an hour.
set -euo pipefail
cd "$(dirname "$0")/.."
work="${CARGO_TARGET_DIR:-target}/bench"
python="$work/python/bin/python"
[ -x "$python" ] || python3 -m venv "$work/python"
"$python" -m pip install --quiet numpy scipy opencv-python-headless tifffile
cargo build --release -p motelight-cli
rm -rf "$work/other"
"$python" bench/other.py "${CARGO_TARGET_DIR:-target}/release/motelight" "$work/other" bench/other.md "${1:-1}"
