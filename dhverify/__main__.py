"""``python -m dhverify`` is ``dhverify``."""

from __future__ import annotations

import sys

from dhverify.cli.main import main

if __name__ == "__main__":
    sys.exit(main())
