"""``python -m dewline``."""

import sys

from dewline.cli import main

sys.exit(main())
