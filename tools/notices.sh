#!/usr/bin/env bash
# The licences of all that is linked into leastwatt, as one text.
#
#	notices.sh generate [DIR]  writes DIR/cmd/leastwatt/notices.txt, which the
#	                           program and the image carry
#	notices.sh check [DIR]     fails where that is not what go.mod asks for
#
# DIR is the root of the module (.).
set -euo pipefail

cd "${2:-$(dirname "${BASH_SOURCE[0]}")/..}"
file=cmd/leastwatt/notices.txt
scratch=$(mktemp -d)
trap 'rm -rf "$scratch"' EXIT
export GOFLAGS=${GOFLAGS:-} GOOS=linux LC_ALL=C

# title TEXT: a line that stands over a text.
title() { printf '\n%s\n%s\n%s\n\n' "$(printf '=%.0s' {1..80})" "$1" "$(printf '=%.0s' {1..80})"; }

# text FILE: a text without blanks at the ends of lines.
text() { sed 's/[[:space:]]*$//' "$1"; }

# licences FOLDER...: the files with terms in folders.
licences() {
	find "$@" -maxdepth 1 -type f ! -name '*.go' \
		\( -iname '*licen[cs]e*' -o -iname 'copying*' -o -iname 'notice*' -o -iname 'patents*' -o -iname 'third*party*' -o -ipath '*/licen[cs]es/*' \)
}

notices() {
	echo 'leastwatt contains, or loads when it starts, the software of others. Their notices:'
	title 'lp_solve'
	text optim/lp/NOTICE.md
	title 'lp_solve: GNU Lesser General Public License'
	text optim/lp/LGPL-2.1.txt
	title 'Go, its runtime and standard library'
	text "$(go env GOROOT)/LICENSE"
	# Packages linked: path and version of the module, its folder, that of the package.
	go list -deps -f '{{with .Module}}{{if not .Main}}{{.Path}} {{.Version}}{{"\t"}}{{.Dir}}{{"\t"}}{{$.Dir}}{{end}}{{end}}' ./cmd/leastwatt >"$scratch/packages"
	# Terms stand in a package's folder, in those above it, or in one named after them.
	awk -F'\t' -v OFS='\t' '{
		for (dir = $3; ; sub("/[^/]*$", "", dir)) {
			print dir, $1, $2
			if (dir == $2) break
		}
		print $2 "/licenses", $1, $2
	}' "$scratch/packages" | sort -u >"$scratch/folders"
	cut -f1 "$scratch/folders" | while read -r dir; do [[ ! -d $dir ]] || printf '%s\0' "$dir"; done |
		xargs -0 bash -c "$(declare -f licences); licences \"\$@\"" - |
		sort -u | awk -F'\t' -v OFS='\t' 'NR == FNR { module[$1] = $2; top[$1] = $3; next } {
			dir = $0; sub("/[^/]*$", "", dir)
			print module[dir], substr($0, length(top[dir]) + 2), $0
		}' "$scratch/folders" - | sort -u >"$scratch/texts"
	cut -f1 "$scratch/packages" | sort -u >"$scratch/linked"
	cut -f1 "$scratch/texts" | sort -u | comm -23 "$scratch/linked" - >"$scratch/without"
	if [[ -s $scratch/without || ! -s $scratch/linked ]]; then
		echo "notices: no licence found of: $(head -n 5 "$scratch/without" | tr '\n\t' '  ')" >&2
		return 1
	fi
	local module short name
	while IFS=$'\t' read -r module short name; do
		title "$module: $short"
		text "$name"
	done <"$scratch/texts"
}

notices >"$scratch/notices.txt"
case ${1:-} in
generate)
	cp "$scratch/notices.txt" "$file"
	;;
check)
	if ! diff -u "$file" "$scratch/notices.txt" >"$scratch/diff"; then
		head -n 40 "$scratch/diff"
		echo "notices: $file is not what go.mod asks for: run make notices" >&2
		exit 1
	fi
	;;
*)
	sed -n '2,/^set/s/^# \{0,1\}//p' "$0" >&2
	exit 2
	;;
esac
