"""Run focuskit with ``python -m focuskit``; without arguments it checks itself."""

import sys

from focuskit.cli import main

sys.exit(main(sys.argv[1:] or ["self-check"]))
