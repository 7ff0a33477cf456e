#!/usr/bin/env bash
# Launch to first frame, and to the first picture of the sample exam: osspan beside an empty window of the same toolkit, in
# one run on one display.
#
#   tests/bench/launch.sh [ROUNDS]
#
# Each program ends itself when its first frame has been shown. The time is from starting the process to its end, so it
# holds loading the program, opening the display and the first frame, for both alike. Only the ratio is worth quoting, and the
# ratio decides: the first frame of the window must be there within twice the time of the empty one. The budget of 300 ms to
# the first picture is printed beside it.
set -euo pipefail
cd "$(dirname "$0")/../.."
rounds="${1:-15}"
target="${CARGO_TARGET_DIR:-target}/release"

for command in Xvfb cargo; do
  command -v "$command" >/dev/null || { echo "not found: $command. tests/run packages installs what is missing." >&2; exit 1; }
done
cargo build --quiet --release --locked --bin osspan --example empty-window

scratch="$(mktemp -d)"
Xvfb -displayfd 3 -screen 0 1280x800x24 -nolisten tcp 3>"$scratch/display" 2>"$scratch/xvfb.txt" &
xvfb=$!
trap 'kill "$xvfb" 2>/dev/null || true; rm -rf "$scratch"' EXIT
for _ in $(seq 100); do
  [ -s "$scratch/display" ] && break
  sleep 0.1
done
[ -s "$scratch/display" ] || { echo "Xvfb did not start:" >&2; cat "$scratch/xvfb.txt" >&2; exit 1; }
DISPLAY=":$(cat "$scratch/display")"
export DISPLAY OSSPAN_DATA="$scratch/data"
unset WAYLAND_DISPLAY WAYLAND_SOCKET

# Milliseconds that a program takes from start to its own end.
timed() {
  local before=${EPOCHREALTIME/./} after
  timeout 60 "$@" >/dev/null 2>"$scratch/said.txt" || { echo "$1 did not show a first frame:" >&2; cat "$scratch/said.txt" >&2; return 1; }
  after=${EPOCHREALTIME/./}
  grep -qE 'first (frame|picture) shown' "$scratch/said.txt" || { echo "$1 ended without saying that it was shown" >&2; return 1; }
  echo $(((after - before) / 1000))
}

median() { sort -n | awk '{ v[NR] = $1 } END { print (NR % 2) ? v[(NR + 1) / 2] : (v[NR / 2] + v[NR / 2 + 1]) / 2 }'; }

# Once each beforehand, so that files are in memory; then turn about.
for round in $(seq 0 "$rounds"); do
  for what in empty window picture; do
    program="$target/osspan"
    [ "$what" != empty ] || program="$target/examples/empty-window"
    took="$(OSSPAN_PRINT_FIRST_FRAME="$what" timed "$program")"
    [ "$round" = 0 ] || echo "$took" >>"$scratch/$what.txt"
  done
done
empty="$(median <"$scratch/empty.txt")"
for what in window picture; do
  osspan="$(median <"$scratch/$what.txt")"
  awk -v what="$what" -v n="$rounds" -v a="$osspan" -v b="$empty" 'BEGIN {
    budget = what == "picture" ? sprintf(" (budget 300 ms: %s)", a <= 300 ? "within" : "over") : ""
    printf "to the first %s: %d ms%s, empty window %d ms, medians of %d: ratio %.2f\n", what == "window" ? "frame" : what, a, budget, b, n, a / b
    if (what == "window" && a > 2 * b) { print "the window takes more than twice as long as an empty one"; exit 1 }
  }'
done
