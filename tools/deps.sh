#!/usr/bin/env bash
# What the build needs from the system and how the build goes on without it.
#
#	deps.sh lp      installs lp_solve's development files when they are missing
#	deps.sh python  installs what the tests of the Python client import
#	deps.sh node    installs what the Node example imports, below client/node
#	deps.sh browser installs Chromium, in which the tests open reports
#	deps.sh flags   prints the go flags that fit this machine
#	deps.sh race    prints -race where the race detector can run
#
# Missing packages come through apt, with sudo only when not root. What cannot be
# had is named in one line and the build goes on without it; with DEPS=required
# it fails instead.
set -euo pipefail

lp_packages=(liblpsolve55-dev libsuitesparse-dev lp-solve)
python_packages=(python3-grpcio python3-numpy python3-pip)
node_packages=(nodejs npm)
browser_packages=(chromium fonts-liberation)
python=${PYTHON:-/usr/bin/python3}
node_client=${BASH_SOURCE[0]%/*}/../client/node

scratch=$(mktemp -d)
trap 'rm -rf "$scratch"' EXIT

say() { printf 'deps: %s\n' "$*" >&2; }

# have_cgo: cgo is on, which it is by default where there is a C compiler.
have_cgo() { [[ $(go env CGO_ENABLED) == 1 ]]; }

# have_lp: a C program against lp_solve compiles and links with its shared library, or
# with its archive.
have_lp() { have_shared_lp || links_lp -l:liblpsolve55.a -lcolamd; }
have_shared_lp() { links_lp -L/usr/lib/lp_solve -l:liblpsolve55.so; }

# links_lp LIBRARY...: a C program against lp_solve compiles and links.
links_lp() {
	local cc
	have_cgo || return 1
	cc=$(go env CC)
	read -ra cc <<<"$cc"
	"${cc[@]}" -x c - -o "$scratch/probe" "$@" -lm -ldl 2>"$scratch/probe.log" <<-'C'
		#include <lpsolve/lp_lib.h>
		int main(void) { delete_lp(make_lp(0, 1)); return 0; }
	C
}

have_python() { "$python" -c 'import setuptools, pip, wheel, grpc, numpy, google.protobuf' 2>"$scratch/probe.log"; }

have_node() {
	(cd "$node_client" && node --input-type=module -e 'import "@grpc/grpc-js"; import "@grpc/proto-loader"') 2>"$scratch/probe.log"
}

have_browser() { command -v chromium >/dev/null; }

# fetch_node: has npm fetch what the lock file of client/node names.
fetch_node() {
	say 'fetching the packages of client/node with npm'
	(cd "$node_client" && npm ci --no-audit --no-fund --ignore-scripts) >"$scratch/npm.log" 2>&1 && return
	why="npm failed: $(sed -n '/^npm \(ERR!\|error\)/{p;q}' "$scratch/npm.log")"
	return 1
}

# apt ARGUMENT...: apt-get without questions; its output goes to a log.
apt() {
	"${sudo[@]}" env DEBIAN_FRONTEND=noninteractive apt-get -qq -y --no-remove \
		-o DPkg::Lock::Timeout=120 -o Acquire::Retries=1 -o Acquire::http::Timeout=30 \
		"$@" >"$scratch/apt.log" 2>&1 </dev/null
}

# can_install: apt-get can be run, or leaves in why the reason it cannot.
can_install() {
	sudo=()
	if ! command -v apt-get >/dev/null; then
		why='no apt-get here'
		return 1
	fi
	if [[ $(id -u) != 0 ]]; then
		if ! command -v sudo >/dev/null; then
			why='not root, and no sudo here'
			return 1
		fi
		sudo=(sudo)
		[[ -t 0 ]] || sudo+=(-n) # nobody there to type a password
	fi
}

# install PACKAGE...: installs them, or leaves in why the reason it could not.
install() {
	can_install || return
	say "installing $* with ${sudo[*]:+sudo }apt-get"
	apt install "$@" && return
	say 'refreshing the package lists with apt-get update and trying again'
	if apt update && apt install "$@"; then
		return
	fi
	why="apt-get failed: $(tail -n 1 "$scratch/apt.log")"
	return 1
}

# without WHAT CONSEQUENCE: names what is missing; the end where it is required.
without() {
	say "$1 cannot be had ($why): $2"
	[[ ${DEPS:-} != required ]]
}

case ${1:-} in
lp)
	have_shared_lp && exit
	if have_lp; then
		say 'installing lp-solve, for its shared library'
		can_install && apt -o Acquire::Retries=0 -o Acquire::http::Timeout=5 install lp-solve && have_shared_lp && exit
		say "it cannot be had (${why:-apt-get failed: $(tail -n 1 "$scratch/apt.log")}): linking lp_solve's archive"
		exit
	fi
	if ! have_cgo; then
		why='cgo is off'
	elif install "${lp_packages[@]}"; then
		have_lp && exit
		why="a program against it does not link: $(tail -n 1 "$scratch/probe.log")"
	fi
	without lp_solve "building with -tags nolpsolve, gonum's simplex in its place"
	;;
python)
	have_python && exit
	if install "${python_packages[@]}"; then
		have_python && exit
		why="$python: $(tail -n 1 "$scratch/probe.log")"
	fi
	without 'grpcio for Python' 'the Python client goes untested'
	;;
node)
	have_node && exit
	if { command -v npm >/dev/null || install "${node_packages[@]}"; } && fetch_node; then
		have_node && exit
		why="node: $(tail -n 1 "$scratch/probe.log")"
	fi
	without 'grpc-js for Node' 'the Node example goes untested'
	;;
browser)
	have_browser && exit
	if install "${browser_packages[@]}"; then
		have_browser && exit
		why='no chromium after all'
	fi
	without Chromium 'reports go untested in a browser'
	;;
flags)
	if have_shared_lp; then
		echo -tags=lpshared
	elif ! have_lp; then
		echo -tags=nolpsolve
	fi
	;;
race)
	if have_cgo; then
		echo -race
	else
		why='cgo is off, is there a C compiler?'
		without 'the race detector' 'testing without it'
	fi
	;;
*)
	sed -n '2,/^set/s/^# \{0,1\}//p' "$0" >&2
	exit 2
	;;
esac
