#!/usr/bin/env bash
# Every check of the project, from a fresh Debian or Ubuntu machine: installs the system packages
# that the tests use (a virtual sound server, a browser, a circuit simulator, a C compiler), makes a
# virtual environment in .venv, and runs linter, type checker and tests. Arguments go to pytest.
set -euo pipefail
cd "$(dirname "${BASH_SOURCE[0]}")/.."
. tests/setup.sh
have_packages gcc libc6-dev alsa-utils sound-theme-freedesktop sonic-pi-samples \
  libportaudio2 libasound2-plugins pulseaudio pulseaudio-utils \
  ngspice chromium
make_venv .venv -e '.[test]'
export PATH="$PWD/.venv/bin:$PATH"
ruff check .
ruff format --check .
mypy
lint-imports
if [ "$#" -gt 0 ]; then
  exec pytest -n "${PYTEST_WORKERS:-auto}" --dist loadfile "$@"
fi
# What runs on the wall clock runs by itself, after the rest: a busy machine would tear its sound.
pytest -n "${PYTEST_WORKERS:-auto}" --dist loadfile -m "not realtime"
exec pytest -m realtime
