"""`python -m drymon.cli`: the same as `drymon`."""

import sys

from drymon.cli.main import main

sys.exit(main())
