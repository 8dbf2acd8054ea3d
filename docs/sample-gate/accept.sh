#!/bin/sh
# What is run, and committed, when a design or a change of the question has been agreed: accept.sh SPECTRUM DATE
# The lock pins limit tables, declared facts and waivers of both scenarios; the baseline is the accepted result.
set -eu
pqcheck gate --write-lock gate.lock --site site/weak-grid.toml site/emission.toml
pqcheck gate "$1" --site site/weak-grid.toml --as-of "$2" --lock gate.lock --json baseline.json --quiet
