#!/usr/bin/env bash
# Sign-off on finished pictures that were painted, taken and edited apart from the project's own. One command: writes bench/deliveries.md.
# Wants python3 with venv; the libraries come from the Python package index into target/bench/python. About ten minutes.
set -euo pipefail
cd "$(dirname "$0")/.."
work="${CARGO_TARGET_DIR:-target}/bench"
python="$work/python/bin/python"
[ -x "$python" ] || python3 -m venv "$work/python"
"$python" -m pip install --quiet numpy scipy opencv-python-headless tifffile
cargo build --release -p motelight-cli
rm -rf "$work/deliveries"
"$python" bench/deliveries.py "${CARGO_TARGET_DIR:-target}/release/motelight" "$work/deliveries" bench/deliveries.md "${1:-1}"
