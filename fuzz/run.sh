#!/usr/bin/env bash
# Coverage-guided fuzzing on the stable toolchain: fuzz/run.sh pictures|documents MINUTES. What was found is in target/fuzz/findings; what
# it shows becomes a test. Wants a C++ compiler.
set -euo pipefail
cd "$(dirname "$0")/.."
target="${CARGO_TARGET_DIR:-target}"
which="$1" minutes="$2"
cargo build --release --workspace --bins --examples
seeds="$target/fuzz/seeds-$which" grown="$target/fuzz/grown-$which" findings="$target/fuzz/findings"
rm -rf "$seeds"; mkdir -p "$seeds" "$grown" "$findings"
if [ "$which" = pictures ]; then
    "$target/release/examples/testset" "$seeds" --count 6 --size 96x64 --motes 2 >/dev/null
    rm "$seeds"/*.json
    MOTELIGHT_WHOLE_DNG="$PWD/$(ls "$seeds"/*.dng | head -1)"; export MOTELIGHT_WHOLE_DNG
else
    work=$(mktemp -d)
    trap 'rm -rf "$work"' EXIT
    export MOTELIGHT_LEDGER="$work/ledger.sqlite"
    "$target/release/examples/shoots" "$work" --count 1 --pictures 8 --size 960x640 --motes 12 >/dev/null
    "$target/release/examples/testset" "$work/walls" --count 2 --size 900x600 --motes 12 >/dev/null
    # That there is work to do is no failure.
    "$target/release/motelight" trace "$work/shoot-001" --json >"$seeds/trace.json" || [ $? -eq 1 ]
    "$target/release/motelight" inspect "$work"/walls/*.jpg "$work"/walls/*.tif >/dev/null || [ $? -eq 1 ]
    "$target/release/motelight" ledger export --out "$work/export"
    cp "$work"/export/*.json "$seeds"
fi
# Counters and tables that libFuzzer reads; the pass is LLVM's own and needs no unstable flag of the compiler.
export RUSTFLAGS="-Cpasses=sancov-module -Cllvm-args=-sanitizer-coverage-level=4 -Cllvm-args=-sanitizer-coverage-inline-8bit-counters -Cllvm-args=-sanitizer-coverage-pc-table -Cllvm-args=-sanitizer-coverage-trace-compares -Ccodegen-units=1"
triple=$(rustc -vV | sed -n 's/host: //p')
# With a target named the flags do not reach build scripts.
CARGO_TARGET_DIR="$target/fuzz/build" cargo build --release --target "$triple" --manifest-path fuzz/Cargo.toml --bin "$which"
"$target/fuzz/build/$triple/release/$which" -max_total_time=$((60 * minutes)) -timeout=10 -rss_limit_mb=3000 -max_len=65536 \
    -artifact_prefix="$findings/$which-" -print_final_stats=1 -verbosity=1 "$grown" "$seeds"
