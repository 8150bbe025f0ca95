#!/bin/sh
# Prints the path of a Python that frametally can use; says on stderr what to do where there is none.
# PYTHON=... in the environment names one; otherwise the first good one of the usual names is taken.
set -eu

is_new_enough() {
    "$1" -c 'import sys; sys.exit(sys.version_info < (3, 11))' 2>/dev/null
}

for name in ${PYTHON:-python3 python3.14 python3.13 python3.12 python3.11}; do
    if command -v "$name" >/dev/null 2>&1 && is_new_enough "$name"; then
        # The program itself, not a shim or link that may later point elsewhere.
        exec "$name" -c 'import sys; print(sys.executable)'
    fi
done

found="no Python 3 was found"
if command -v "${PYTHON:-python3}" >/dev/null 2>&1; then
    found="$("${PYTHON:-python3}" --version 2>&1 | head -n 1) is what ${PYTHON:-python3} gives"
fi
{
    echo "frametally needs Python 3.11 or newer, but $found."
    echo "Install one (Debian 12 and newer: apt-get install python3 python3-venv), or name it: make demo PYTHON=/path/to/python3.11"
} >&2
exit 1
