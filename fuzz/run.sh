#!/bin/sh
# Builds every fuzzer with the coverage that libFuzzer needs, as cargo-fuzz does, and runs them: `run.sh SECONDS [NAME...]`.
# `run.sh merge [NAME...]` puts what was found and is new into the corpus. `run.sh build` only builds.
set -eu
cd "$(dirname "$0")"
what=${1:?"say how many seconds each, or merge, or build"}
shift
target=$(rustc +nightly -vV | sed -n 's/^host: //p')
flags="--cfg fuzzing -Cpasses=sancov-module -Cllvm-args=-sanitizer-coverage-level=4"
flags="$flags -Cllvm-args=-sanitizer-coverage-inline-8bit-counters -Cllvm-args=-sanitizer-coverage-pc-table"
flags="$flags -Cllvm-args=-sanitizer-coverage-trace-compares"
RUSTFLAGS="$flags" cargo +nightly build --release --manifest-path Cargo.toml --target "$target"
[ "$what" = build ] && exit 0
folder=${CARGO_TARGET_DIR:-target}/$target/release
[ $# -gt 0 ] || set -- $(ls fuzz_targets | sed 's/\.rs$//')
failed=
for name; do
    mkdir -p "found/$name" "artifacts/$name"
    if [ "$what" = merge ]; then
        "$folder/$name" -merge=1 -timeout=10 -rss_limit_mb=1024 "corpus/$name" "found/$name"
        continue
    fi
    echo "== $name, $what s"
    "$folder/$name" "-max_total_time=$what" -timeout=10 -rss_limit_mb=1024 -print_final_stats=1 \
        "-artifact_prefix=artifacts/$name/" "found/$name" "corpus/$name" >"artifacts/$name.log" 2>&1 || failed="$failed $name"
    tail -n 12 "artifacts/$name.log"
done
# After a pipe the shell would have told of `tail`, which never fails.
[ -z "$failed" ] || { echo "failed:$failed" >&2; exit 1; }
