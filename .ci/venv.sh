#!/bin/sh
# Makes the virtual environment .venv, or makes it anew where it no longer runs (a moved folder, a Python that has gone).
set -eu

cd "$(dirname "$0")/.."
if ! .venv/bin/python -c 'import pip, sys; sys.exit(sys.version_info < (3, 11))' >/dev/null 2>&1 \
    || ! .venv/bin/pip --version >/dev/null 2>&1; then
    python="$(.ci/python.sh)"
    echo "Making .venv with $python"
    rm -rf .venv
    # A current pip: those of older systems warn about packages that are built the old way.
    "$python" -m venv --upgrade-deps .venv
fi
