"""``python -m pqcheck``."""

import sys

from pqcheck.cli import main

sys.exit(main())
