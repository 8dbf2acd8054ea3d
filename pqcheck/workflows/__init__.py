"""One function per job: each wires the rooms together in their order."""
