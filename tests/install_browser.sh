#!/bin/sh
# The browser tests need a Chromium and, for the accessibility checker, npm: from the system's packages where this may
# install them, and the Chromium otherwise from Playwright. The argument is the Python of the tests.
set -e
python=${1:-.venv/bin/python}
checker=$(dirname "$0")/dashboard/node_modules/axe-core/axe.min.js

has_browser() {
    command -v chromium >/dev/null 2>&1 || command -v chromium-browser >/dev/null 2>&1 || starts
}
starts() {
    "$python" -c 'from playwright.sync_api import sync_playwright
with sync_playwright() as play: play.chromium.launch().close()' >/dev/null 2>&1
}
has_checker() {
    [ -f "$checker" ] || command -v npm >/dev/null 2>&1
}

packages() {
    [ "$(id -u)" = 0 ] && command -v apt-get >/dev/null 2>&1 && apt-get update -qq && apt-get install -y -qq "$@" >/dev/null
}

has_browser || packages chromium fonts-dejavu-core || true
has_checker || packages npm || true
has_browser || "$python" -m playwright install chromium >/dev/null 2>&1 || true
if ! has_browser; then
    echo "No browser was found and none could be fetched: install Chromium (Debian: apt install chromium, as root) and say make test again; the browser tests need it." >&2
    exit 1
fi
if ! has_checker; then
    echo "npm was not found: install it (Debian: apt install npm, as root) and say make test again; the accessibility checker of the browser tests comes from it." >&2
    exit 1
fi
