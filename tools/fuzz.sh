#!/usr/bin/env bash
# fuzz.sh DURATION PACKAGES [GO FLAG...] runs each fuzz test of the packages for
# DURATION.
set -euo pipefail
cd "$(dirname "${BASH_SOURCE[0]}")/.."

duration=$1 pattern=$2
shift 2
count=0
packages=$(go list "$@" "$pattern")
for package in $packages; do
	tests=$(go test "$@" -list '^Fuzz' "$package")
	for name in $(grep '^Fuzz' <<<"$tests" || true); do
		echo "== $package $name"
		go test "$@" -run '^$' -fuzz "^$name\$" -fuzztime "$duration" -fuzzminimizetime 2s "$package"
		count=$((count + 1))
	done
done
if [[ $count == 0 ]]; then
	echo 'fuzz: no fuzz tests found' >&2
	exit 1
fi
