#!/usr/bin/env bash
# Sets up all that the tests need on a Debian-like machine with Python >= 3.11, then runs them.
# Arguments go to pytest: `bash tests/run.sh -k serial`.
set -euo pipefail
cd "$(dirname "$0")/.."

missing=()
while read -r package; do
    case "$package" in "" | "#"*) continue ;; esac
    dpkg-query -W -f='${Status}' "$package" 2>/dev/null | grep -q "ok installed" || missing+=("$package")
done < tests/debian-packages.txt
if [ ${#missing[@]} -gt 0 ]; then
    as_root=""
    [ "$(id -u)" = 0 ] || as_root="sudo"
    echo "installing Debian packages: ${missing[*]}"
    # services that a package starts would hold the machine's standard ports; the tests start their own
    $as_root apt-get update -qq
    DEBIAN_FRONTEND=noninteractive $as_root apt-get install -y -qq --no-install-recommends "${missing[@]}" >/dev/null
fi

[ -x .venv/bin/python ] || python3 -m venv .venv
.venv/bin/pip install --quiet --disable-pip-version-check -e '.[test]'
export OPENBLAS_NUM_THREADS=1 # as the command sets it for itself: one core each is enough
exec .venv/bin/python -m pytest -n 4 --dist loadfile "$@"
