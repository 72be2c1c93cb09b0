#!/bin/sh
# Makes the reference values anew: all, or those named (without ending).
# Needs Debian's python3-numpy, python3-scipy and python3-cvxopt.
set -eu
cd "$(dirname "$0")/reference"
export OPENBLAS_NUM_THREADS=1
[ $# -gt 0 ] || set -- optimal_beams robust antenna_limits fixed_beams codebook floor eirp subbands shares mixed
for name in "$@"; do
	/usr/bin/python3 "$name.py"
done
