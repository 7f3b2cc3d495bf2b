"""`python -m grainmatch`."""

import sys

from grainmatch.cli import main

sys.exit(main())
