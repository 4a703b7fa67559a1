# Sourced by docs/demo.sh and tests/run.sh: what both need on a fresh Debian or Ubuntu machine.

as_root() {
  if [ "$(id -u)" -eq 0 ]; then "$@"; else sudo "$@"; fi
}

# have_packages NAME...: install the Debian packages that are not there yet.
have_packages() {
  local missing=()
  for name in "$@"; do
    dpkg-query -W -f='${Status}' "$name" 2>/dev/null | grep -q 'ok installed' || missing+=("$name")
  done
  [ "${#missing[@]}" -eq 0 ] && return 0
  as_root apt-get update -qq
  as_root env DEBIAN_FRONTEND=noninteractive apt-get install -y -qq --no-install-recommends "${missing[@]}"
}

# find_python: the first Python from 3.11 on that can make virtual environments, in $PYTHON.
find_python() {
  local candidate
  for candidate in "${PYTHON:-}" python3 python3.14 python3.13 python3.12 python3.11; do
    [ -n "$candidate" ] && command -v "$candidate" >/dev/null || continue
    "$candidate" -c 'import sys; sys.exit(sys.version_info < (3, 11))' 2>/dev/null || continue
    PYTHON=$candidate
    "$PYTHON" -c 'import ensurepip, venv' 2>/dev/null || have_packages python3-venv
    return 0
  done
  if command -v apt-get >/dev/null; then
    have_packages python3 python3-venv
    PYTHON=python3
    "$PYTHON" -c 'import sys; sys.exit(sys.version_info < (3, 11))' && return 0
  fi
  echo "stallcurve needs Python 3.11 or newer; set PYTHON=/path/to/python" >&2
  return 1
}

# make_venv DIR WHAT...: a virtual environment in DIR with WHAT installed by pip.
make_venv() {
  local dir=$1
  shift
  find_python
  [ -x "$dir/bin/python" ] || "$PYTHON" -m venv "$dir"
  "$dir/bin/python" -m pip install --quiet --disable-pip-version-check "$@"
}
