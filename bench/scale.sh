#!/usr/bin/env bash
# How time and memory grow with megapixels, motes and pictures. One command: writes docs/performance.md and its plots. A quarter of
# an hour and 2 GB of disk below target/bench; wants python3, nothing else. Linux only.
set -euo pipefail
cd "$(dirname "$0")/.."
target="${CARGO_TARGET_DIR:-target}"
cargo build --release --workspace --bins --examples
python3 bench/scale.py "$target/release" "$target/bench/scale" docs
