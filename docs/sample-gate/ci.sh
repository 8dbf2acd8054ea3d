#!/bin/sh
# One gate of the pipeline: ci.sh SPECTRUM DATE [more options of pqcheck gate]
# DATE is the day of the pipeline, handed in: no result may depend on the clock of the machine that runs it.
# The lock and the baseline are those of the protected branch: a change cannot bring its own. Have changes of this file,
# of gate.lock, baseline.json and waivers.toml reviewed by somebody else than their author.
set -u
spectrum=$1
day=$2
shift 2
rm -rf build
mkdir build
for agreed in gate.lock baseline.json; do
    git show "main:./$agreed" >"build/$agreed" || exit 2
done
exec pqcheck gate "$spectrum" --site site/weak-grid.toml --as-of "$day" --lock build/gate.lock \
    --baseline build/baseline.json --out build/result.json build/result.junit.xml "$@"
