"""``python -m brakewater_sim``."""

import sys

from brakewater_sim.cli import main

sys.exit(main())
