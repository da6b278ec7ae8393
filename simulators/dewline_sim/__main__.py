"""``python -m dewline_sim STORY ...``: the simulated lab without dewline."""

import sys

from dewline_sim.command import main

sys.exit(main())
