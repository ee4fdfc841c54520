#!/bin/sh
# The browser tests need a Chromium and the accessibility checker; both come from the system's package sources.
set -e
if ! command -v chromium >/dev/null 2>&1 && ! command -v chromium-browser >/dev/null 2>&1; then
    if command -v apt-get >/dev/null 2>&1 && [ "$(id -u)" = 0 ]; then
        apt-get update -qq && apt-get install -y -qq chromium fonts-dejavu-core poppler-utils >/dev/null
    else
        echo "Install Chromium (Debian: apt install chromium poppler-utils); the browser tests need it." >&2
        exit 1
    fi
fi
