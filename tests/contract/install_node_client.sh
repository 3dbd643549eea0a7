#!/usr/bin/env bash
# Installs the second OPC UA implementation that the contract tests use, outside of the tree.
# Needs node and npm. Prints the folder; does nothing when it is there already.
set -euo pipefail
version=2.182.2
folder="${XDG_CACHE_HOME:-$HOME/.cache}/rotor-gateway-tests/node-opcua-client-$version"
if [ ! -f "$folder/complete" ]; then
    mkdir -p "$folder"
    printf '{"private": true}\n' > "$folder/package.json"
    (cd "$folder" && npm install --no-audit --no-fund --save-exact "node-opcua-client@$version") >&2
    touch "$folder/complete"
fi
echo "$folder"
