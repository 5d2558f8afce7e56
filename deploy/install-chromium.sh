#!/usr/bin/env bash
# Called by `make test`: the tests of the pages drive Chromium. Nothing to do where
# one is on the PATH, or where CHROMIUM names one.
set -euo pipefail
if [ -n "${CHROMIUM:-}" ]; then exit 0; fi
for name in chromium chromium-browser google-chrome; do
  if command -v "$name" >/dev/null 2>&1; then exit 0; fi
done
as_root() { if [ "$(id -u)" = 0 ]; then "$@"; else sudo "$@"; fi; }
if command -v apt-get >/dev/null 2>&1; then
  echo "installing Chromium, for the tests of the pages" >&2
  as_root apt-get update -qq
  as_root env DEBIAN_FRONTEND=noninteractive apt-get install -y -qq --no-install-recommends chromium >/dev/null
  exit 0
fi
echo "The tests of the pages need Chromium: install it, or name it in CHROMIUM." >&2
exit 1
