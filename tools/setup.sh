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
# uv takes a tenth of pip's time for the same files; where it does not get at them (it reads no pip.conf), pip does
awk '/^[^ ]/ {of_uv = /^uv==/} of_uv' dev.lock > .venv/uv.lock
.venv/bin/python -m pip install --quiet --disable-pip-version-check --require-hashes -r .venv/uv.lock
.venv/bin/uv pip install --quiet --python .venv/bin/python --require-hashes -r dev.lock ||
    .venv/bin/python -m pip install --quiet --disable-pip-version-check --require-hashes -r dev.lock
.venv/bin/python -m pip install --quiet --disable-pip-version-check --no-deps --editable .

wanted=""
command -v chromium >/dev/null 2>&1 || wanted="$wanted chromium"  # the browser tests
command -v tshark >/dev/null 2>&1 || wanted="$wanted tshark"      # a second opinion on frames, in the tests
if [ -n "$wanted" ]; then
    as_root=""
    [ "$(id -u)" -eq 0 ] || as_root="sudo"
    echo "setup: from Debian, for the tests:$wanted"
    $as_root apt-get update -qq
    # shellcheck disable=SC2086  # a list of names
    DEBIAN_FRONTEND=noninteractive $as_root apt-get install -y -qq $wanted >/dev/null
fi
