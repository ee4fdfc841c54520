#!/usr/bin/env bash
# Writes the locks again: names, versions and hashes only. Needs `uv` (python -m pip install uv).
set -euo pipefail
cd "$(dirname "$0")/.."
common=(--universal --python-version 3.11 --generate-hashes --no-emit-index-url --no-header --no-annotate --quiet)
# What builds this project and the few packages that come as source only; it goes in before every other lock.
# A newer one is named in pyproject.toml, which `pip install .` goes by.
sed -n 's/^requires = \["\(.*\)"\].*/\1/p' pyproject.toml | uv pip compile "${common[@]}" --no-deps - -o .ci/build.lock
uv pip compile "${common[@]}" pyproject.toml -o requirements.lock
uv pip compile "${common[@]}" pyproject.toml --group dev -o requirements-dev.lock
# pycanon asks for older versions of what the product uses, and needs none of them for what the tests ask of it.
echo "pycanon==1.3.6" | uv pip compile "${common[@]}" --no-deps - -o requirements-alone.lock
# So does the engine of the quick check (make sail): only what the tests' own packages do not bring.
printf '%s\n' googleapis-common-protos grpcio grpcio-status 'pysail>=0.7' 'pyspark-client>=4,<4.3' zstandard |
    uv pip compile "${common[@]}" --no-deps - -o .ci/sail.lock
# And the peer of an ingest in the benchmark (make bench).
printf '%s\n' 'pandera[pandas]>=0.35' typeguard typing-inspect |
    uv pip compile "${common[@]}" --no-deps - -o .ci/benching.lock
# The cluster route has an environment of its own (make spark), since pyspark takes half a gigabyte.
uv pip compile "${common[@]}" pyproject.toml --extra spark --group cluster -c requirements-dev.lock \
    -o requirements-spark.lock
if grep -nE 'https?://' ./*.lock .ci/*.lock; then
    echo "a lock holds a download address" >&2
    exit 1
fi
