"""``python -m brakewater``."""

import sys

from brakewater.cli import main

sys.exit(main())
