#!/usr/bin/env bash
# fuzz.sh DURATION [GO FLAG...] runs each fuzz test of the module for DURATION.
set -euo pipefail
cd "$(dirname "${BASH_SOURCE[0]}")/.."

duration=$1
shift
count=0
packages=$(go list "$@" ./...)
for package in $packages; do
	tests=$(go test "$@" -list '^Fuzz' "$package")
	for name in $(grep '^Fuzz' <<<"$tests" || true); do
		echo "== $package $name"
		go test "$@" -run '^$' -fuzz "^$name\$" -fuzztime "$duration" "$package"
		count=$((count + 1))
	done
done
if [[ $count == 0 ]]; then
	echo 'fuzz: no fuzz tests found' >&2
	exit 1
fi
