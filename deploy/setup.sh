# Shared by deploy/demo and deploy/check: finds Python, makes the virtual environment, installs.
# Meant to be sourced with bash. Everything lands in .venv beside this folder's parent.

root="$(cd "$(dirname "${BASH_SOURCE[0]}")/.." && pwd)"
venv="${BASINWARD_VENV:-$root/.venv}"

say() { printf '%s\n' "$*" >&2; }

die() {
    say "$*"
    exit 1
}

# Debian packages, if this is root and something is missing; otherwise say what to install.
need_packages() {
    local missing=() package
    for package in "$@"; do
        dpkg-query -W -f='${Status}' "$package" 2>/dev/null | grep -q 'ok installed' ||
            missing+=("$package")
    done
    [ ${#missing[@]} -eq 0 ] && return
    if [ "$(id -u)" -ne 0 ] || ! command -v apt-get >/dev/null; then
        die "Missing: ${missing[*]}. Install them, on Debian as root: apt-get install ${missing[*]}"
    fi
    say "Installing ${missing[*]} ..."
    apt-get update -qq || say "The package lists could not be renewed; trying with the old ones."
    DEBIAN_FRONTEND=noninteractive apt-get install -y -qq --no-install-recommends \
        "${missing[@]}" >/dev/null || die "apt-get could not install ${missing[*]}."
}

find_python() {
    local candidate
    for candidate in ${PYTHON:-} python3 python3.13 python3.12 python3.11; do
        if "$candidate" -c 'import sys; sys.exit(sys.version_info < (3, 11))' 2>/dev/null; then
            command -v "$candidate"
            return
        fi
    done
    return 1
}

# make_venv EXTRA: the package with one of its extras and that of `basinward evaluate`, pinned; quick
# when nothing has changed.
make_venv() {
    local extra="$1" python stamp want
    if ! python="$(find_python)"; then
        need_packages python3 python3-venv
        python="$(find_python)" || die "Python 3.11 or newer is needed; set PYTHON to one."
    fi
    if [ ! -x "$venv/bin/python" ]; then
        if ! "$python" -c 'import ensurepip' 2>/dev/null; then
            need_packages python3-venv
        fi
        say "Making the virtual environment $venv ..."
        "$python" -m venv "$venv" || die "No virtual environment could be made in $venv."
    fi
    stamp="$venv/basinward-$extra.stamp"
    want="$(cat "$root/pyproject.toml" "$root/deploy/constraints.txt" | sha256sum)"
    if [ ! -f "$stamp" ] || [ "$(cat "$stamp")" != "$want" ]; then
        say "Installing basinward and what it needs ..."
        "$venv/bin/python" -m pip install --quiet --disable-pip-version-check \
            --constraint "$root/deploy/constraints.txt" --editable "$root[$extra,evaluate]" ||
            die "pip could not install it; see its words above."
        printf '%s' "$want" >"$stamp"
    fi
}

# make_sparkplug_venv: beside the other one, for the tests' independent Sparkplug encoder, which wants
# an MQTT client that is too old for basinward. Says where its Python is.
make_sparkplug_venv() {
    local wanted="$root/deploy/sparkplug-constraints.txt" place="$root/.venv-sparkplug" want
    want="$(sha256sum <"$wanted")"
    if [ ! -f "$place/stamp" ] || [ "$(cat "$place/stamp")" != "$want" ]; then
        say "Installing the independent Sparkplug encoder ..."
        "$venv/bin/python" -m venv --clear "$place" || die "No virtual environment in $place."
        "$place/bin/python" -m pip install --quiet --disable-pip-version-check \
            --constraint "$wanted" pysparkplug || die "pip could not install it; see above."
        printf '%s' "$want" >"$place/stamp"
    fi
    export BASINWARD_SPARKPLUG_PYTHON="$place/bin/python"
}
