"""Thousands of odd recordings: `python -m tests.odd_recordings.run EXAMPLES [WORD ...]` and what fails."""

from __future__ import annotations

import importlib
import os
import sys
import time
import traceback


def main(arguments: list[str]) -> int:
    """Try every property (those whose name holds a word) so often; the exit status tells whether one failed."""
    examples, *words = arguments or ["2000"]
    os.environ["PQCHECK_ODD_RECORDINGS"] = examples
    tests = vars(importlib.import_module("tests.test_odd_recordings"))
    failed = 0
    for name in sorted(tests):
        if not name.startswith("test_") or (words and not any(word in name for word in words)):
            continue
        start = time.monotonic()
        try:
            tests[name]()
            print(f"{name}: held in {examples} examples, {time.monotonic() - start:.0f} s", flush=True)
        except Exception as error:
            failed += 1
            traceback.print_exc(limit=-2)
            print(f"{name}: FAILED {chr(10).join(getattr(error, '__notes__', []))}\n", flush=True)
    return int(failed > 0)


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
