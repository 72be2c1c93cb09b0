#!/usr/bin/env bash
# gofmt.sh [PATH...] fails when a Go file below PATH (.) is not formatted.
set -euo pipefail

unformatted=$("$(go env GOROOT)/bin/gofmt" -l "${@:-.}")
if [[ -n $unformatted ]]; then
	printf 'gofmt: not formatted:\n%s\n' "$unformatted" >&2
	exit 1
fi
