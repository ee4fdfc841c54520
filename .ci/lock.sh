#!/usr/bin/env bash
# Writes both locks again: names, versions and hashes only. Needs `uv` (python -m pip install uv).
set -euo pipefail
cd "$(dirname "$0")/.."
common=(--universal --python-version 3.11 --generate-hashes --no-emit-index-url --no-header --no-annotate --quiet)
uv pip compile "${common[@]}" pyproject.toml -o requirements.lock
uv pip compile "${common[@]}" pyproject.toml --group dev -o requirements-dev.lock
if grep -nE 'https?://' requirements.lock requirements-dev.lock; then
    echo "a lock holds a download address" >&2
    exit 1
fi
