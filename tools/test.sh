#!/usr/bin/env bash
# test.sh runs every gate, then the tests; it ends at the first that fails.
set -euo pipefail
cd "$(dirname "${BASH_SOURCE[0]}")/.."

# By way of a variable: a failure inside <<<"$(...)" would go unseen.
flags=$(tools/deps.sh flags)
race=$(tools/deps.sh race)
read -ra flags <<<"$flags"
read -ra race <<<"$race"

# step NAME COMMAND...: runs the command, and says how long it took.
step() {
	local name=$1 start=$SECONDS
	shift
	echo "== $name"
	"$@"
	echo "== $name: $((SECONDS - start)) s"
}

step gofmt tools/gofmt.sh
step build go build "${flags[@]}" ./...
step vet go vet "${flags[@]}" ./...
step staticcheck go tool -modfile=tools/go.mod staticcheck "${flags[@]}" ./...
step 'generated code' tools/proto.sh check
step notices tools/notices.sh check
# Every wait in the tests has a bound of its own; this one is for what nobody thought of,
# and fits a machine four times slower than a quiet one.
# The race detector makes these packages five times slower and has nothing to find in
# them: they start no goroutines, and internal/house holds them to that.
packages=$(go list "${flags[@]}" ./...)
mapfile -t single < <(grep -E '^leastwatt/(optim|scheduler|energy|channel)(/|$)' <<<"$packages" | grep -v '^leastwatt/optim/lp$')
mapfile -t others < <(grep -vxFf <(printf '%s\n' "${single[@]}") <<<"$packages")
step 'test without the race detector' go test "${flags[@]}" -count=1 -timeout=25m "${single[@]}"
step 'test with it' go test "${race[@]}" "${flags[@]}" -count=1 -timeout=25m "${others[@]}"
