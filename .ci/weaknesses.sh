#!/bin/sh
# Known weaknesses of what is installed for the product, looked up in the advisory database of the package index. A
# release must run this: where they cannot be looked up it says so and fails, since not knowing is no clean result.
cd "$(dirname "$0")/.." || exit 1
tool=${1:-pip-audit}
if ! command -v "$tool" > /dev/null; then
    echo "weaknesses: $tool is not installed, so nothing was looked up. Install it, then run this again before a release."
    exit 1
fi
if ! "$tool" --require-hashes --disable-pip -r requirements.lock; then
    echo "weaknesses: some are known (see above), or the database could not be reached: nothing is to be released."
    echo "  what to do: move the lock to versions without them, or run this where the database can be reached."
    exit 1
fi
echo "weaknesses: none is known of any version in requirements.lock"
