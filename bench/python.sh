# Sourced by the benchmarks that want Python: goes to the project's folder, and installs the libraries named, from the Python package
# index, for them alone. Sets `target`, `work` and `python`.
set -euo pipefail
cd "$(dirname "$0")/.."
target="${CARGO_TARGET_DIR:-target}"
work="$target/bench"
python="$work/python/bin/python"
[ -x "$python" ] || python3 -m venv "$work/python"
"$python" -m pip install --quiet "$@"
