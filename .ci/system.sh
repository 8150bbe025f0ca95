#!/bin/sh
# Sees to the system packages that pip cannot bring. Root on Debian: installs what is missing. Anyone else: prints the one
# command that does. What frametally cannot start without ends this script with an error; the rest is only told.
#   system.sh demo    what running needs: libraries of OpenCV, venv, Tesseract (may be missing)
#   system.sh test    the same, and what some tests need (may be missing: they are then skipped)
#   system.sh all     the same, and nothing may be missing
set -eu

purpose="${1:-demo}"
python="$("$(dirname "$0")/python.sh")"

has_library() {
    "$python" -c 'import ctypes, sys; ctypes.CDLL(sys.argv[1])' "$1" >/dev/null 2>&1
}

find_missing() {
    needed=""
    wished=""
    "$python" -c 'import ensurepip, venv' >/dev/null 2>&1 || needed="$needed $(venv_package)"
    if [ "$(uname -s)" = Linux ]; then
        has_library libGL.so.1 || needed="$needed libgl1"
        has_library libgthread-2.0.so.0 || needed="$needed libglib2.0-0"
    fi
    command -v tesseract >/dev/null 2>&1 || wished="$wished tesseract-ocr"
    if [ "$purpose" != demo ]; then
        [ -d /usr/share/fonts/truetype/dseg ] || wished="$wished fonts-dseg"
        command -v chromium >/dev/null 2>&1 || wished="$wished chromium"
        command -v chromedriver >/dev/null 2>&1 || wished="$wished chromium-driver"
    fi
    if [ "$purpose" = all ]; then
        needed="$needed$wished"
        wished=""
    fi
}

# A package can only complete the system's own Python.
venv_package() {
    case "$python" in
        /usr/bin/*) "$python" -c 'import sys; print("python3.%d-venv" % sys.version_info[1])' ;;
        *) echo python3-venv ;;
    esac
}

install() {
    echo "Installing with apt-get:$*"
    log="$(mktemp)"
    # shellcheck disable=SC2086,SC2048 # the packages are words of their own
    if { apt-get update -q && DEBIAN_FRONTEND=noninteractive apt-get install -q -y --no-install-recommends $*; } >"$log" 2>&1; then
        rm -f "$log"
    else
        cat "$log" >&2
        rm -f "$log"
        echo "apt-get could not install$* (its words are above)." >&2
    fi
}

find_missing
if [ -n "$needed$wished" ] && [ "$(id -u)" -eq 0 ] && [ -f /etc/debian_version ] && command -v apt-get >/dev/null 2>&1; then
    install "$needed$wished"
    find_missing
fi

if [ -n "$wished" ]; then
    echo "Some things are missing that frametally can do without for now:$wished" >&2
    case "$wished" in *tesseract*) echo "  Without Tesseract, displays of kind \"text\" stay unread." >&2 ;; esac
    case "$wished" in *fonts-dseg* | *chromium*) echo "  Without fonts-dseg or chromium, some tests are skipped." >&2 ;; esac
    echo "  On Debian and its kin: sudo apt-get install$wished" >&2
fi
if [ -n "$needed" ]; then
    echo "frametally cannot go on without these system packages:$needed" >&2
    echo "  On Debian and its kin: sudo apt-get install$needed" >&2
    case "$needed" in
        *venv*)
            case "$python" in
                /usr/bin/*) ;;
                *) echo "  $python was built without venv or ensurepip; use the system's: make demo PYTHON=/usr/bin/python3" >&2 ;;
            esac
            ;;
    esac
    exit 1
fi
