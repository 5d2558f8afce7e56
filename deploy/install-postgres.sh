#!/usr/bin/env bash
# Makes sure that PostgreSQL's server programs are on this machine. They are
# started privately by the program, never as a service. Called by the Makefile.
set -euo pipefail

[ -z "${DATABASE_URL:-}" ] || exit 0

# The places are those of projections/pg/binaries.go.
found() {
  command -v initdb >/dev/null 2>&1 && return 0
  local program
  for program in /usr/lib/postgresql/*/bin/initdb /usr/pgsql-*/bin/initdb /usr/local/pgsql/bin/initdb \
    /opt/homebrew/opt/postgresql@*/bin/initdb /usr/local/opt/postgresql@*/bin/initdb; do
    [ -x "$program" ] && return 0
  done
  return 1
}
found && exit 0

root=()
if [ "$(id -u)" -ne 0 ]; then root=(sudo); fi

if command -v apt-get >/dev/null 2>&1 && { [ "${#root[@]}" -eq 0 ] || command -v sudo >/dev/null 2>&1; }; then
  echo "PostgreSQL was not found; installing it with apt-get." >&2
  "${root[@]}" apt-get update -qq
  DEBIAN_FRONTEND=noninteractive "${root[@]}" apt-get install -y -qq --no-install-recommends postgresql >&2
elif command -v brew >/dev/null 2>&1; then
  echo "PostgreSQL was not found; installing it with brew." >&2
  brew install postgresql@16 >&2
fi

if ! found; then
  echo "PostgreSQL 15 or newer was not found and can't be installed from here." >&2
  echo "Install it (Debian, Ubuntu: apt-get install postgresql; macOS: brew install postgresql@16)," >&2
  echo "or set DATABASE_URL, for example postgres://lensledger@localhost/lensledger." >&2
  exit 1
fi
