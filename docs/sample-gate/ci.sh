#!/bin/sh
# One gate of the pipeline: ci.sh SPECTRUM DATE [more options of pqcheck gate]
# DATE is the day of the pipeline, handed in: no result may depend on the clock of the machine that runs it.
set -u
spectrum=$1
day=$2
shift 2
mkdir -p build
# The accepted design, judged by the tables of today. 0, 1 and 3 are results, 2 is a breakdown.
pqcheck gate spectra/release.csv --site site/weak-grid.toml --as-of "$day" --json build/baseline.json --quiet >build/baseline.txt
[ $? -ne 2 ] || exit 2
exec pqcheck gate "$spectrum" --site site/weak-grid.toml --as-of "$day" --baseline build/baseline.json \
    --out build/result.json build/result.junit.xml "$@"
