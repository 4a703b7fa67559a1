#!/usr/bin/env bash
# The whole job on the virtual bench, from a fresh Debian or Ubuntu machine: makes a virtual
# environment in .venv, installs stallcurve into it, and runs the demo. No hardware is touched.
set -euo pipefail
cd "$(dirname "${BASH_SOURCE[0]}")/.."
. tests/setup.sh
make_venv .venv .
.venv/bin/stallcurve demo --out stallcurve-demo "$@"
