#!/bin/sh
# Sets up a fresh machine: what it installs, it says. Run by `make setup`.
set -eu
PYTHON="${PYTHON:-python3.11}"
command -v "$PYTHON" >/dev/null 2>&1 || PYTHON=python3

if [ ! -x .venv/bin/python ]; then
    echo "setup: a virtual environment in .venv ($("$PYTHON" --version))"
    "$PYTHON" -m venv .venv
fi
echo "setup: the packages of dev.lock into .venv (checked by hash)"
.venv/bin/python -m pip install --quiet --disable-pip-version-check --require-hashes -r dev.lock
.venv/bin/python -m pip install --quiet --disable-pip-version-check --no-deps --editable .

if ! command -v chromium >/dev/null 2>&1; then
    as_root=""
    [ "$(id -u)" -eq 0 ] || as_root="sudo"
    echo "setup: Debian's chromium for the browser tests (apt-get install chromium)"
    $as_root apt-get update -qq
    DEBIAN_FRONTEND=noninteractive $as_root apt-get install -y -qq chromium >/dev/null
fi
