"""Run focuskit with ``python -m focuskit``."""

import sys

from focuskit.cli import main

sys.exit(main())
